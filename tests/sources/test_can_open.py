"""Opening a CAN bus: what fails does so in one line, and bit rates are tried until the vehicle answers."""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty

import pytest

from livemon.errors import LinkError, UsageError
from livemon.obd.decode import Decoder
from livemon.records import Reading
from livemon.sources.can_open import CanLink


def test_opening_fails_with_one_line() -> None:
    with pytest.raises(UsageError, match="did you mean 'socketcan'"):
        CanLink("socketcna", "can0")()
    with pytest.raises(LinkError, match="nosuchcan7"):
        CanLink("socketcan", "nosuchcan7")()
    with pytest.raises(LinkError) as caught:
        CanLink("slcan", "/dev/no-such-port", bitrate=500000)()
    assert "\n" not in str(caught.value)


class Slcan(threading.Thread):
    """A CAN-over-serial adapter on a pseudo-terminal; the vehicle behind it talks at `bitrate` only."""

    CODES = {"S5": 250000, "S6": 500000}  # noqa: RUF012

    def __init__(self, bitrate: int) -> None:
        super().__init__(daemon=True)
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.port = os.ttyname(self.slave)
        self.bitrate = bitrate
        self.lines: list[str] = []
        self.ended = False

    def run(self) -> None:
        buffer, opened = b"", 0
        while not self.ended:
            if not select.select([self.master], [], [], 0.02)[0]:
                continue
            buffer += os.read(self.master, 200)
            *lines, buffer = buffer.split(b"\r")
            for line in (each.decode() for each in lines):
                self.lines.append(line)
                opened = self.CODES.get(line, opened)
                if line.startswith("t7DF802010") and opened == self.bitrate:
                    os.write(self.master, b"\xff\xfenoise\r")
                    os.write(self.master, b"t7E88064100BE1FA813AA\r")
                    os.write(self.master, b"t7E8803410D3200000000\r")


@pytest.mark.parametrize("bitrate", [500000, 250000])
def test_bitrates_are_tried_over_a_real_serial_line(monkeypatch: pytest.MonkeyPatch, bitrate: int) -> None:
    monkeypatch.setattr("can.interfaces.slcan.time.sleep", lambda seconds: None)
    adapter = Slcan(bitrate)
    adapter.start()
    said: list[str] = []
    link = CanLink("slcan", adapter.port, say=said.append)
    try:
        bus = link()
        assert len(said) == (1 if bitrate == 500000 else 2)
        deadline = time.monotonic() + 2.0
        readings: list[Reading] = []
        decoder = Decoder()
        while not readings and time.monotonic() < deadline:
            frame = bus.read(0.1)
            if frame is not None:
                readings += decoder.feed(frame)
        assert [(r.quantity, r.value) for r in readings] == [("vehicle_kmh", 50.0)]
        bus.close()
        said.clear()
        link().close()
        assert len(said) == 1, "the bitrate that worked is tried first"
    finally:
        adapter.ended = True
        adapter.join(1.0)
        os.close(adapter.master)
        os.close(adapter.slave)
    assert not [
        line
        for line in adapter.lines
        if line.startswith(("t", "T")) and not line.startswith(("t7DF802010", "T18DB33F1"))
    ]
