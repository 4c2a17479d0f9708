"""Standing still: held in gear (turbine at rest) or in neutral or park (turbine turns with the engine).

Evidence: pump torque against what a stalled converter takes at this speed, its steps, the engine's dip or flare
when the selector moves, and the gear the vehicle states.
"""

from __future__ import annotations

from collections import deque
from math import exp
from typing import Final

_RATE: Final = 0.02  # 1/s, selector moves while standing; common practice, no source
_LEVEL_MEMORY_S: Final = 6.0
_LAG_S: Final = 0.7


class Standstill:
    """`tick` while standing; `neutral` is the probability that nothing holds the turbine."""

    __slots__ = ("_last", "_past", "neutral")

    def __init__(self) -> None:
        self.neutral = 0.3  # a recording may well begin in park
        self._last: float | None = None
        self._past: deque[tuple[float, float, float]] = deque()

    def moved(self) -> None:
        """The vehicle moved: it was in gear, and stops in gear next time."""
        self.neutral = 0.04
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
            held_var = torque_sd * torque_sd + 0.25 * stalled * stalled + 9.0
            free_var = torque_sd * torque_sd + 25.0
            y, z = torque - stalled, torque - 2.0
            held = exp(-0.5 * min(y * y / held_var, 50.0)) + 1e-3
            free = exp(-0.5 * min(z * z / free_var, 50.0)) + 1e-3
            odds *= (free / held) ** min(1.0, dt / _LEVEL_MEMORY_S)
        past = self._past
        past.append((t, n, torque if torque is not None else 0.0))
        while len(past) > 2 and past[1][0] < t - _LAG_S:
            past.popleft()
        t0, n0, torque0 = past[0]
        if 0.3 < t - t0 < 3.0 * _LAG_S and n0 < 1100.0:
            rise = n - n0
            if torque is not None:
                step = torque - torque0
                size = max(6.0, 0.8 * stalled)
                # the load falls away and the engine flares, or comes on and it dips
                if step < -0.4 * size and rise > 25.0:
                    odds = max(odds, min(30.0, odds * 4.0))
                elif step > 0.4 * size and rise < -20.0:
                    odds = min(odds, max(0.03, odds * 0.25))
            elif rise > 60.0:
                odds *= 1.4
            elif rise < -50.0:
                odds *= 0.7
        if stated is not None:
            odds *= 20.0 if stated == 0 else 0.05
        odds = min(1e3, max(1e-3, odds))
        self.neutral = odds / (1.0 + odds)
        return self.neutral
