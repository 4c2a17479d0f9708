"""What goes wrong around a live drive: a full disk."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from livemon.clock import VirtualClock
from livemon.live import Live
from livemon.obd.decode import Decoder
from livemon.obd.schedule import Schedule
from livemon.records import LinkNews
from livemon.run import Run
from livemon.simulate.scenario import draw
from livemon.sources.reconnect import Reconnecting
from livemon.sources.simulated import SimulatedSource
from livemon.store.recorder import Recorder
from livemon.vehicle import Vehicle


def simulated(clock: VirtualClock, seconds: float) -> SimulatedSource:
    return SimulatedSource(draw("none", 1, seconds, answer_s=(0.02, 0.035)), clock)


def test_a_full_disk_is_told_once_and_so_is_the_end_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = VirtualClock()
    source = simulated(clock, 20.0)
    run = Run("sim", Decoder(), Vehicle())
    recorder = Recorder(tmp_path / "drive.log", now_s=clock.now_s)
    write = os.write

    def full(file: int, data: bytes) -> int:
        if file == recorder._file and 5.0 < clock.now_s() < 12.0:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(file, data)

    monkeypatch.setattr(os, "write", full)
    told: list[str] = []
    tell = run.tell

    def listen(notice: str) -> None:
        told.append(notice)
        tell(notice)

    monkeypatch.setattr(run, "tell", listen)
    shown: dict[int, str] = {}

    def stop() -> bool:
        second = int(clock.now_s())
        if second == 8 and second not in shown:
            run.notice = ""  # as after a silence of the vehicle: the trouble is still there
        shown[second] = run.notice
        return source.finished

    link = Reconnecting(lambda: source, clock, run.tell)
    Live(run, link, Schedule(), clock, recorder=recorder).drive(stop)
    recorder.close()
    assert [notice.split(": ")[1].split(";")[0] for notice in told] == [
        "recording stopped",
        "recording goes on",
    ]
    assert not shown[4] and "stopped" in shown[7] and "stopped" in shown[8]
    assert isinstance(run.notice, LinkNews)  # no alarm any more
    assert run.counters()["frames_not_recorded"] == recorder.lost > 50
    assert f"{recorder.lost} frames are missing" in told[1]
    source.close()
