"""`livemon watch` around its loop: what becomes of the recording."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from livemon.cli import main
from livemon.errors import LinkError
from livemon.obd.schedule import Schedule
from livemon.permit import Permitted
from livemon.records import Frame
from livemon.sources.reconnect import Gap

BROADCAST = Frame(1.0, 0x100, False, b"\xff" * 8)
ASK = Frame(1.0, 0x7DF, False, bytes.fromhex("0201000000000000"))
REFUSAL = Frame(1.0, 0x7E8, False, bytes.fromhex("037F011200000000"))


class Bus:
    """Gives out the frames and is gone for good."""

    connected = True

    def __init__(self, *frames: Frame) -> None:
        self.frames, self.counters = list(frames), Counter[str]()
        self.gaps: list[Gap] = []

    def read(self, timeout_s: float) -> Frame:
        if not self.frames:
            raise LinkError("an open link", "one that was closed", "the link", "open it again")
        return self.frames.pop(0)

    def send(self, ask: Permitted) -> None:
        pass

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("frames", "asks", "kept"),
    [
        ([BROADCAST], False, True),  # received, though no signal in it became a reading
        ([ASK, REFUSAL], True, True),
        ([ASK], True, False),  # a board that waits for the ignition
        ([], False, False),
    ],
)
def test_what_was_received_stays_recorded(
    frames: list[Frame], asks: bool, kept: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def open_link(*_: Any, **__: Any) -> tuple[Bus, Schedule | None]:
        return Bus(*frames), Schedule() if asks else None

    monkeypatch.setattr("livemon.commands.link.open_link", open_link)
    log = tmp_path / "drive.log"
    assert main(["watch", "--interface", "virtual", "--record", str(log)]) == 3
    assert log.exists() is kept
