"""The loop of a live drive: exchange frames, feed the run. The same for bus, adapter and simulation."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from math import inf
from typing import Final, Protocol

from livemon.clock import Clock
from livemon.errors import LinkError
from livemon.exchange import Exchange
from livemon.obd.schedule import Schedule
from livemon.records import Frame, LinkNews
from livemon.run import Run
from livemon.sources.base import Source
from livemon.sources.reconnect import Gap
from livemon.store.recorder import Recorder

HOUSEKEEPING_S: Final = 0.25
SILENT_S: Final = 3.0
SAID_S: Final = (3, 10, 30, 60, 120, 300)  # how long a silence is told of, not every second anew
NOBODY_S: Final = 30.0  # there is a link, and nobody has ever answered: give up
DRIVE_OVER_S: Final = 600.0  # this long without an answer, link or no link, ends the drive


class Link(Source, Protocol):
    """A source that may lose its link and get it back."""

    gaps: list[Gap]

    @property
    def connected(self) -> bool: ...

    @property
    def counters(self) -> Counter[str]: ...


class Live:
    """One live drive. `schedule` None listens only: nothing is ever sent."""

    def __init__(
        self,
        run: Run,
        link: Link,
        schedule: Schedule | None,
        clock: Clock,
        *,
        recorder: Recorder | None = None,
        keys: Callable[[], str] = lambda: "",
    ) -> None:
        self.run, self.link, self.schedule, self.clock = run, link, schedule, clock
        self.recorder, self.keys = recorder, keys
        self._exchange = Exchange(link, schedule, run.decoder, clock, self._take, recorder)
        self._housekeeping_s = clock.now_s()
        self._heard_s = clock.now_s()  # when a reading last came, on the clock
        self._linked_s = inf  # since when there is a link; infinity without one
        self._gaps = 0
        self._trouble = ""  # of the recording, as last shown
        self._told = 0  # of the recorder's notices
        self._silent = False

    def drive(self, stop: Callable[[], bool]) -> None:
        """Until told to stop, or the vehicle has been silent so long that the drive is over.

        Raises LinkError when nobody ever answered.
        """
        try:
            self._drive(stop)
        finally:
            self._gather()
            if self.link.gaps:
                self.run.tell(gaps_sentence(self.link.gaps))

    def _drive(self, stop: Callable[[], bool]) -> None:
        exchange, clock = self._exchange, self.clock
        while not stop():
            exchange.turn()
            if clock.now_s() >= self._housekeeping_s and self._keep_house(clock.now_s()):
                return

    def _take(self, frame: Frame) -> None:
        run = self.run
        run.start_s = self._exchange.start_s
        before = run.readings
        run.frames += 1
        run.feed(frame)
        if run.readings > before:
            self._heard_s = self.clock.now_s()

    def _keep_house(self, now_s: float) -> bool:
        """What need not be done for every frame. Returns whether the drive is over."""
        self._housekeeping_s = now_s + HOUSEKEEPING_S
        run, link = self.run, self.link
        self._gather()
        if self.schedule is not None and run.estimator.now is not None:
            self.schedule.regime = run.estimator.now.regime
        if len(link.gaps) > self._gaps:
            self._gaps = len(link.gaps)
            if self.schedule is not None:
                self.schedule.restart(now_s)
        for key in self.keys():
            if key == "m":
                self._mark()
            elif key == "q":
                return True
        return self._listen_for_silence(now_s)

    def _gather(self) -> None:
        """What link and recording have counted and have to say."""
        run, recorder = self.run, self.recorder
        counters = self.link.counters + (self.schedule.counters if self.schedule else Counter())
        if recorder is not None:
            recorder.flush()
            for notice in recorder.notices[self._told :]:
                run.tell(notice)
                if not recorder.trouble:
                    run.notice = LinkNews(notice)  # it goes on: no alarm
            self._told = len(recorder.notices)
            if run.notice == self._trouble and not recorder.trouble:
                run.notice = ""  # it is over, and has been told often enough
            elif not run.notice or isinstance(run.notice, LinkNews):  # nothing worse is shown
                run.notice = recorder.trouble or run.notice
            self._trouble = recorder.trouble or self._trouble
            counters["frames_not_recorded"] = recorder.lost
        run.link_counters = counters

    def _listen_for_silence(self, now_s: float) -> bool:
        run, unheard_s = self.run, now_s - self._heard_s
        over = unheard_s > DRIVE_OVER_S
        if over and not run.readings:
            raise self._nobody(unheard_s)
        if not self.link.connected:  # what is wrong has been said
            self._linked_s = inf
            return over
        self._linked_s = min(self._linked_s, now_s)
        silent_s = now_s - max(self._heard_s, self._linked_s)  # opening a link may take long
        if silent_s > SILENT_S:
            self._silent = True
            then = ", asking again" if self.schedule else ""
            run.notice = f"no answer for {max(s for s in SAID_S if s <= silent_s)} s{then}"
            if run.view is not None:
                run.view.update(run.snapshot())
        elif self._silent:
            self._silent, run.notice = False, ""
        if not run.readings and silent_s > NOBODY_S:
            raise self._nobody(silent_s)
        return over

    def _nobody(self, silent_s: float) -> LinkError:
        return LinkError(
            "an answer from the vehicle",
            f"none in {silent_s:.0f} s",
            self.run.source,
            "switch the ignition on; check plug and bit rate; --j1939 or --dbc if it broadcasts",
        )

    def _mark(self) -> None:
        marker, exchange = self.run.mark(), self._exchange
        if self.recorder is not None and exchange.start_s is not None:
            self.recorder.mark(exchange.start_s + exchange.time_s, marker.text)


def gaps_sentence(gaps: Sequence[Gap]) -> str:
    """The stretches without a link as one sentence, however many they are."""
    lasted_s = [gap.end_s - gap.start_s for gap in gaps]
    if len(gaps) == 1:
        return f"no link for {lasted_s[0]:.1f} s: {gaps[0].reason}"
    return f"no link {len(gaps)} times, {sum(lasted_s):.1f} s in all, {max(lasted_s):.1f} s the longest"
