"""Signals a vehicle broadcasts by itself: turbine speed, clutch and shift bits. A signal that stops is a
gap."""

from __future__ import annotations

from bisect import bisect_left
from typing import Final

_KEPT_S: Final = 4.0
_LEAST_GAP_S: Final = 0.25


class Signal:
    """One broadcast signal: `add` in time order, `at` any time; None where it was silent."""

    __slots__ = ("_period", "_t", "_v")

    def __init__(self) -> None:
        self._t: list[float] = []
        self._v: list[float] = []
        self._period = 0.1

    def add(self, t: float, value: float) -> None:
        times = self._t
        if times:
            if t <= times[-1]:
                return
            self._period += 0.05 * (min(t - times[-1], 2.0) - self._period)
        times.append(t)
        self._v.append(value)
        if len(times) > 600 or t - times[0] > 2.0 * _KEPT_S:
            n = bisect_left(times, t - _KEPT_S)
            del times[:n], self._v[:n]

    @property
    def newest_s(self) -> float:
        return self._t[-1] if self._t else -1e9

    def at(self, t: float) -> tuple[float, float] | None:
        """(value, rate) at t between two readings no further apart than three usual periods."""
        times, values = self._t, self._v
        i = bisect_left(times, t)
        longest = max(_LEAST_GAP_S, 3.0 * self._period)
        if i == len(times):
            return (values[-1], 0.0) if times and t - times[-1] < min(longest, 0.5) else None
        if i == 0:
            return (values[0], 0.0) if times[0] - t < 0.5 * longest else None
        gap = times[i] - times[i - 1]
        if gap > longest:
            return None
        rate = (values[i] - values[i - 1]) / gap
        return values[i - 1] + rate * (t - times[i - 1]), rate

    def held(self, t: float) -> float | None:
        """The value in force at t: for bits and gears."""
        i = bisect_left(self._t, t + 1e-9) - 1
        if i < 0 or t - self._t[i] > max(_LEAST_GAP_S, 3.0 * self._period):
            return None
        return self._v[i]
