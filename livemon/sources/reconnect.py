"""A link that comes back by itself: lost, it is reported, waited for, opened again, and the gap is kept.

Works over anything that opens a Source: a serial adapter, a CAN bus.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Final, NamedTuple

from livemon.clock import Clock
from livemon.errors import LinkError
from livemon.permit import Permitted
from livemon.records import Frame, LinkNews
from livemon.sources.base import Source

FIRST_PAUSE_S: Final = 0.2
LONGEST_PAUSE_S: Final = 5.0
STEP_S: Final = 1.0  # a wall clock that moved by more than this during a gap is put right


class Gap(NamedTuple):
    """A stretch without a link, in the time of the frames. Frames before and after it are not neighbours."""

    start_s: float
    end_s: float
    reason: str


class Reconnecting:
    """A Source that outlives its link.

    `open_source` makes the source anew each time. LinkError leaves `read` only when there was never a link
    within `deadline_s` (None: keep trying), or after `close`. `gaps` collects the stretches without one;
    a recording holds no mark of them. `say` gets one sentence when the link goes, and one when it is back.
    An opening that fails because it was told to `stop` is no failure.
    """

    def __init__(
        self,
        open_source: Callable[[], Source],
        clock: Clock,
        say: Callable[[str], None],
        deadline_s: float | None = 60.0,
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        self.gaps: list[Gap] = []
        self._counters: Counter[str] = Counter()
        self._open_source = open_source
        self._clock = clock
        self._say = say
        self._stop = stop
        self._deadline_s = None if deadline_s is None else clock.now_s() + deadline_s
        self._source: Source | None = None
        self._closed = False
        self._pause_s = FIRST_PAUSE_S
        self._next_try_s = clock.now_s()
        self._reason = ""
        self._problem: LinkError | None = None
        self._last_s: float | None = None  # time of the newest frame, and the clock then
        self._last_clock_s = 0.0
        self._shift_s = 0.0
        self._after_gap = False

    @property
    def connected(self) -> bool:
        return self._source is not None

    @property
    def problem(self) -> LinkError | None:
        """Why there is no link; None while there is one, or before it was tried."""
        return self._problem if self._source is None else None

    @property
    def counters(self) -> Counter[str]:
        """Those of all sources so far, the present one included, and of the link itself."""
        return self._counters + Counter(getattr(self._source, "counters", {}))

    def read(self, timeout_s: float) -> Frame | None:
        """The next frame; None when there is none within `timeout_s`, link or no link."""
        source = self._source or self._try_to_open(timeout_s)
        if source is None:
            return None
        try:
            frame = source.read(timeout_s)
        except LinkError as problem:
            self._lose(problem)
            return None
        return None if frame is None else self._in_time(frame)

    def send(self, ask: Permitted) -> None:
        """Send it if there is a link; without one the ask is dropped and counted."""
        if self._source is None:
            self._counters["asks_without_link"] += 1
            return
        try:
            self._source.send(ask)
        except LinkError as problem:
            self._lose(problem)

    def close(self) -> None:
        """Stop for good. `read` raises from then on."""
        self._closed = True
        self._let_go()

    def _try_to_open(self, timeout_s: float) -> Source | None:
        if self._closed:
            raise LinkError("an open link", "one that was closed", "the link", "open it again")
        now_s = self._clock.now_s()
        if now_s < self._next_try_s:
            self._clock.sleep(min(timeout_s, self._next_try_s - now_s))
            return None
        try:
            self._source = self._open_source()
        except LinkError as problem:
            if self._stop():
                return None
            self._problem = problem
            now_s = self._clock.now_s()
            if self._last_s is None and self._deadline_s is not None and now_s >= self._deadline_s:
                raise
            if str(problem) != self._reason:
                self._reason = str(problem)
                self._say(f"no link: {problem}; trying again")
            self._next_try_s = now_s + self._pause_s
            self._pause_s = min(2.0 * self._pause_s, LONGEST_PAUSE_S)
            return None
        if self._last_s is not None:
            self._counters["reconnects"] += 1
            self._say(LinkNews(f"link is back after {self._clock.now_s() - self._last_clock_s:.1f} s"))
        return self._source

    def _lose(self, problem: LinkError) -> None:
        self._let_go()
        self._problem = problem
        self._counters["links_lost"] += 1
        self._reason = str(problem)
        self._say(f"link lost: {problem}; waiting for it to come back")
        self._after_gap = self._last_s is not None
        self._pause_s = FIRST_PAUSE_S
        self._next_try_s = self._clock.now_s() + self._pause_s

    def _let_go(self) -> None:
        source, self._source = self._source, None
        if source is not None:
            try:
                source.close()
            except LinkError:
                self._counters["unclean_closes"] += 1
            for name, count in getattr(source, "counters", {}).items():
                self._counters[name] += count

    def _in_time(self, frame: Frame) -> Frame:
        """Frame times never jump with the wall clock: over a gap they follow the steady one."""
        now_s = self._clock.now_s()
        time_s = frame.time_s + self._shift_s
        if self._after_gap and self._last_s is not None:
            expected_s = self._last_s + now_s - self._last_clock_s
            if abs(time_s - expected_s) > STEP_S:
                self._shift_s += expected_s - time_s
                time_s = expected_s
                self._counters["clock_steps"] += 1
            self.gaps.append(Gap(self._last_s, time_s, self._reason))
            self._after_gap = False
        self._last_s, self._last_clock_s = time_s, now_s
        return frame._replace(time_s=time_s) if self._shift_s else frame
