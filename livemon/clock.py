"""Time for the live loop. Waiting uses the monotonic clock; a virtual clock makes simulated time free.

And the day and hour of a drive, where the stamps of its frames tell it.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Final, Protocol

_UNIX_S: Final = (946_684_800.0, 4_102_444_800.0)  # 2000 to 2100: CAN stamps outside are no Unix time


def wall_time(stamp_s: float | None) -> datetime | None:
    """The moment of a frame's own stamp; None where that counts from something else, as from power-on."""
    if stamp_s is None or not _UNIX_S[0] <= stamp_s < _UNIX_S[1]:
        return None
    return datetime.fromtimestamp(stamp_s, UTC)


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
