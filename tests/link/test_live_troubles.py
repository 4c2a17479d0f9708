"""What goes wrong around a live drive: a full disk, links slow to open, lost early or without a vehicle."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from livemon.clock import VirtualClock
from livemon.errors import LinkError
from livemon.live import DRIVE_OVER_S, Live, gaps_sentence
from livemon.obd.decode import Decoder
from livemon.obd.schedule import Schedule
from livemon.permit import Permitted
from livemon.records import Frame, LinkNews
from livemon.run import NOTICES_KEPT, Run
from livemon.simulate.scenario import draw
from livemon.sources.base import Source
from livemon.sources.candump import Candump
from livemon.sources.reconnect import Gap, Reconnecting
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


class Mute:
    """A link that takes asks and is lost after `seconds` without an answer."""

    def __init__(self, clock: VirtualClock, seconds: float) -> None:
        self._clock, self._end_s = clock, clock.now_s() + seconds
        self._asks: list[Frame] = []

    def read(self, timeout_s: float) -> Frame | None:
        if self._asks:
            return self._asks.pop()
        self._clock.sleep(timeout_s)
        if self._clock.now_s() > self._end_s:
            raise LinkError("a working adapter", "gone", "port", "check the cable")
        return None

    def send(self, ask: Permitted) -> None:
        self._asks.append(ask.frame._replace(time_s=self._clock.now_s()))

    def close(self) -> None:
        pass


def no_link() -> LinkError:
    return LinkError("a free serial port", "no such port", "port", "check the name")


def test_the_time_a_link_takes_to_open_is_no_silence_of_the_vehicle() -> None:
    clock = VirtualClock()
    source = simulated(clock, 50.0)

    def slowly() -> SimulatedSource:
        clock.sleep(45.0)
        return source

    run = Run("sim", Decoder(), Vehicle())
    Live(run, Reconnecting(slowly, clock, run.tell), Schedule(), clock).drive(lambda: source.finished)
    assert run.readings > 100
    source.close()


def test_a_link_lost_before_the_first_answer_may_come_back() -> None:
    clock = VirtualClock()
    source = simulated(clock, 50.0)
    sources = iter([Mute(clock, 5.0)])

    def open_source() -> Source:
        if clock.now_s() < 45.0:
            if (first := next(sources, None)) is None:
                raise no_link()
            return first
        return source

    run = Run("sim", Decoder(), Vehicle())
    Live(run, Reconnecting(open_source, clock, run.tell), Schedule(), clock).drive(lambda: source.finished)
    assert run.readings > 100
    source.close()


@pytest.mark.parametrize("comes_back", [False, True])
def test_without_any_answer_ever_a_drive_ends(comes_back: bool) -> None:
    clock = VirtualClock()
    opened = 0

    def open_source() -> Source:
        nonlocal opened
        opened += 1
        if opened > 1 and not comes_back:
            raise no_link()
        return Mute(clock, 20.0)

    run = Run("sim", Decoder(), Vehicle())
    live = Live(run, Reconnecting(open_source, clock, run.tell), Schedule(), clock)
    with pytest.raises(LinkError, match="an answer from the vehicle"):
        live.drive(lambda: clock.now_s() > 3600.0)
    assert DRIVE_OVER_S < clock.now_s() < DRIVE_OVER_S + 30.0


def test_a_flapping_link_is_one_line_and_the_drivers_marks_stay_visible(tmp_path: Path) -> None:
    clock = VirtualClock()
    source = simulated(clock, 120.0)

    class Flapping:
        """Gone again after three seconds."""

        def __init__(self) -> None:
            self._end_s = clock.now_s() + 3.0

        def read(self, timeout_s: float) -> Frame | None:
            if clock.now_s() > self._end_s:
                raise LinkError("a working adapter", "gone", "port", "check the cable")
            return source.read(timeout_s)

        def send(self, ask: Permitted) -> None:
            source.send(ask)

        def close(self) -> None:
            pass

    def keys() -> str:
        return next(pressed, "") if clock.now_s() > 60.0 else ""

    run = Run("sim", Decoder(), Vehicle())
    log = tmp_path / "drive.log"
    recorder = Recorder(log)
    pressed = iter("m")
    link = Reconnecting(Flapping, clock, run.tell)
    Live(run, link, Schedule(), clock, recorder=recorder, keys=keys).drive(lambda: source.finished)
    recorder.close()
    source.close()
    assert [marker.text.split()[0] for marker in run.markers] == ["marked"]
    lost, gaps = run.notices
    assert lost.startswith("link lost") and gaps.startswith(f"no link {len(link.gaps)} times, ")
    assert len(link.gaps) > 20
    recorded = Candump(log)
    list(recorded)
    assert len(recorded.markers) == 1


def test_one_gap_is_told_with_its_reason() -> None:
    assert gaps_sentence([Gap(1.0, 3.25, "gone")]) == "no link for 2.2 s: gone"


def test_notices_are_bounded() -> None:
    run = Run("sim", Decoder(), Vehicle())
    for i in range(1000):
        run.tell(f"trouble {i}")
    assert len(run.notices) == NOTICES_KEPT and run.notices[-1] == run.notice == "trouble 999"
