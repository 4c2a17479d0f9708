"""Standing still: held in gear (turbine at rest) or in neutral or park (turbine turns with the engine).

Evidence: pump torque against what a stalled converter takes at this speed, its steps, the engine's dip or
flare when the selector moves, and the gear the vehicle states.
"""

from __future__ import annotations

from collections import deque
from math import exp, sqrt
from typing import Final

_RATE: Final = 0.006  # 1/s, selector moves while standing; common practice, no source
_SAY: Final = 0.7  # of the level: bias and model are known less well than their sd say
_LEVEL_S, _LEVEL_MEMORY_S = 2.5, 60.0  # heard once soon, and again each so long
_LAG_S: Final = 0.7
_STOPS_NEUTRAL: Final = 0.08  # some boxes let go at a stop by themselves


class Standstill:
    """`tick` while standing; `neutral` is the probability that nothing holds the turbine."""

    __slots__ = ("_idle", "_last", "_past", "_unheard", "neutral")

    def __init__(self) -> None:
        self.neutral = 0.4  # a recording may well begin in park
        self._unheard = _SAY  # share of this stop's torque level that has not had its say
        self._last: float | None = None
        self._idle: float | None = None  # engine speed it settles at
        self._past: deque[tuple[float, float, float]] = deque()

    @property
    def idle_rpm(self) -> float:
        """Engine speed it settles at when left alone; 820 until seen."""
        return 820.0 if self._idle is None else self._idle

    def moved(self) -> None:
        """The vehicle moved: it was in gear, and most stop in gear next time."""
        self.neutral = _STOPS_NEUTRAL
        self._unheard = _SAY
        self._last = None
        self._past.clear()

    def tick(
        self, t: float, n: float, torque: float | None, torque_sd: float, stalled: float, stated: int | None
    ) -> float:
        """torque: at the pump [N m], sd of its slow error; stalled: what a stalled converter takes at n."""
        dt = 0.3 if self._last is None else min(2.0, t - self._last)
        self._last = t
        p = self.neutral
        p += _RATE * dt * (1.0 - 2.0 * p)
        odds = p / (1.0 - p)
        if torque is not None:
            # bound fluid takes less than a stall test's; what is taken off for accessories is a guess
            held_var = torque_sd * torque_sd + (0.35 * stalled) ** 2 + 25.0
            free_var = torque_sd * torque_sd + 100.0
            y, z = torque - 0.85 * stalled, torque + 4.0
            held = exp(-0.5 * min(y * y / held_var, 50.0)) / sqrt(held_var) + 3e-4
            free = exp(-0.5 * min(z * z / free_var, 50.0)) / sqrt(free_var) + 3e-4
            weight = min(self._unheard, dt / _LEVEL_S)
            self._unheard -= weight
            odds *= (free / held) ** (weight + dt / _LEVEL_MEMORY_S)
        past = self._past
        past.append((t, n, torque if torque is not None else 0.0))
        while len(past) > 2 and past[1][0] < t - _LAG_S:
            past.popleft()
        t0, n0, torque0 = past[0]
        if 0.3 < t - t0 < 3.0 * _LAG_S:
            rise = n - n0
            # settled, and neither switched off nor being started
            if abs(rise) < 8.0 and n > 400.0 and all(abs(m - n) < 25.0 for _, m, _ in past):
                self._idle = n if self._idle is None else self._idle + 0.1 * (n - self._idle)
            high = rise > 40.0 and (n > self._idle + 60.0 if self._idle is not None else rise > 120.0)
            low = rise < -40.0 and self._idle is not None and n < self._idle - 50.0
            step = torque - torque0 if torque is not None else 0.0
            share = 0.4 * max(6.0, 0.8 * stalled) if torque is not None else -1.0
            # the load falls away and the engine flares, or it comes on and the engine dips
            if high and step < -share * 0.5:
                odds *= 3.0
            elif low and step > share * 0.5:
                odds *= 0.35
            elif high and torque is None:
                odds *= 1.5
            elif low and torque is None:
                odds *= 0.6
        if stated is not None:
            odds *= 20.0 if stated == 0 else 0.05
        odds = min(1e3, max(1e-3, odds))
        self.neutral = odds / (1.0 + odds)
        return self.neutral
