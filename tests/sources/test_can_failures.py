"""A CAN bus that fails: every failure is a LinkError, noise is survived and counted."""

from __future__ import annotations

import random
import sys
from pathlib import Path
from typing import Any

import can
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from can_script import ASK, Scripted, message, source  # it lies beside this file

from livemon.errors import LinkError
from livemon.obd.decode import Decoder
from livemon.permit import permit
from livemon.sources.can_open import CanLink


class Mishap(can.CanError):
    pass


@pytest.mark.parametrize(
    "failure",
    [
        can.CanOperationError("Error receiving: Network is down", 100),
        can.CanInitializationError("x"),
        can.CanTimeoutError("x"),
        can.CanInterfaceNotImplementedError("x"),
        Mishap("x"),
        OSError(19, "No such device"),
        RuntimeError("backend fault"),
        TypeError("backend fault"),
    ],
)
def test_every_failure_of_a_bus_is_a_link_error(failure: Exception) -> None:
    with pytest.raises(LinkError, match="can0: expected") as caught:
        source(Scripted(failure)).read(0.0)
    assert caught.value.exit_status == 3


def test_python_cans_whole_error_tree_is_mapped() -> None:
    for name in can.exceptions.__dict__:
        kind = getattr(can.exceptions, name)
        if isinstance(kind, type) and issubclass(kind, can.CanError):
            with pytest.raises(LinkError):
                source(Scripted(kind("x"))).read(0.0)


def test_lines_spoilt_by_noise_are_counted_and_survived() -> None:
    spoilt = can.CanOperationError("Could not read from serial device")
    spoilt.__cause__ = UnicodeDecodeError("utf-8", b"\xff", 0, 1, "x")
    bus = Scripted(spoilt, ValueError("hex"), IndexError("x"), message(0x7E8, "03410D32"))
    can_bus = source(bus, "slcan")
    frame = None
    for _ in range(4):
        frame = frame or can_bus.read(0.001)
    assert frame is not None
    assert not bus._buffer
    assert can_bus.counters["garbled_lines"] == 3
    hopeless = source(Scripted(*[ValueError("x")] * 100))
    with pytest.raises(LinkError):
        for _ in range(100):
            hopeless.read(0.001)


def test_no_frame_is_lost_in_the_noise_of_a_serial_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """python-can's own slcan reader, with random bytes between good lines."""
    monkeypatch.setattr("can.interfaces.slcan.time.sleep", lambda seconds: None)
    rng = random.Random(1)
    good = bytes.fromhex("03410D3200000000")
    bus = CanLink("slcan", "loop://", bitrate=500000, masks=Decoder().wanted_masks)()
    port: Any = bus._bus.serialPortOrig  # type: ignore[attr-defined]
    received = []
    for _ in range(200):
        port.write(
            bytes(rng.choice(b"tTrRdDbBx0123456789ABCDEF\r\a\xff\x00 ") for _ in range(rng.randrange(30)))
        )
        port.write(b"\rt7E8803410D3200000000\r")
        while (frame := bus.read(0.002)) is not None:
            received.append(frame.data)
    assert received.count(good) == 200
    assert len(received) <= 202
    assert bus.counters["garbled_lines"] > 100
    bus.close()


def test_bus_off_is_a_lost_link() -> None:
    error = can.Message(arbitration_id=0x40, is_error_frame=True)
    with pytest.raises(LinkError, match="bus-off"):
        source(Scripted(error)).read(0.0)


def test_sends_that_fail_for_a_while_are_counted_and_then_the_link_is_lost() -> None:
    bus = Scripted()
    bus.send_failure = can.CanOperationError("Transmit buffer full", 105)
    can_bus = source(bus)
    for _ in range(10):
        can_bus.send(ASK)
    assert can_bus.counters["failed_sends"] == 10
    assert can_bus.read(0.0) is None, "what was not sent is not read back"
    bus.send_failure = None
    can_bus.send(ASK)
    assert can_bus.read(0.0) is not None
    bus.send_failure = can.CanOperationError("Transmit buffer full", 105)
    with pytest.raises(LinkError, match="ignition"):
        for _ in range(20):
            can_bus.send(ASK)
    bus.send_failure = can.CanOperationError("Failed to transmit: Network is down", 100)
    with pytest.raises(LinkError, match="Network is down"):
        source(bus).send(permit(ASK.frame))
    can_bus.close()
