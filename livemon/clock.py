"""Time for the live loop. Waiting uses the monotonic clock; a virtual clock makes simulated time free."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """What the loop asks of time."""

    def now_s(self) -> float:
        """Seconds on a clock that never steps back."""

    def sleep(self, seconds: float) -> None:
        """Let at least `seconds` pass on this clock."""


class MonotonicClock:
    """The machine's own clock, immune to steps of the wall clock; `pace` 2 makes it run twice as fast."""

    def __init__(self, pace: float = 1.0) -> None:
        self._pace = pace

    def now_s(self) -> float:
        return time.monotonic() * self._pace

    def sleep(self, seconds: float) -> None:
        if seconds > 0.0:
            time.sleep(seconds / self._pace)


class VirtualClock:
    """A clock that moves only when told: simulated drives and tests run as fast as the machine allows."""

    def __init__(self, start_s: float = 0.0) -> None:
        self._now_s = start_s

    def now_s(self) -> float:
        return self._now_s

    def sleep(self, seconds: float) -> None:
        if seconds > 0.0:
            self._now_s += seconds
