"""Standing still: held in gear (turbine at rest) or in neutral or park (turbine turns with the engine).

Evidence: pump torque against what a stalled converter takes at this speed, its steps, the engine's dip or
flare when the selector moves, the gear the vehicle states, and whether this box has let go at its other
stops.
"""

from __future__ import annotations

from collections import deque
from math import exp, log, sqrt
from typing import Final

_RATE: Final = 0.006  # 1/s, selector moves while standing; common practice, no source
_SAY: Final = 0.8  # of the level: bias and model are known less well than their sd say
_HEARD_S, _MEAN_S = 2.5, 3.0  # until the level has had its say, and its memory
_MOST: Final = 1e3
_LAG_S, _CALM_RPM = 0.7, 60.0
_STARTS_FREE: Final = 0.4  # a recording may well begin in park
_STOPS_FREE: Final = (0.16, 2.0)  # some boxes let go at a stop by themselves: stops with it, stops
_STOP: Final = (0.02, 0.98)  # one stop is never quite clear


class Standstill:
    """`moved` on the move, `tick` while standing; `neutral` is the probability that nothing holds the
    turbine."""

    __slots__ = (
        "_drove", "_heard_s", "_idle", "_last", "_level", "_odds", "_past", "_stood_s", "_stops", "_usual",
        "_was_free_s", "neutral",
    )  # fmt: skip

    def __init__(self) -> None:
        self.neutral = self._usual = _STARTS_FREE
        self._odds = self._usual / (1.0 - self._usual)  # of all but torque's level
        self._heard_s = self._level = 0.0  # of this stop
        self._last: float | None = None
        self._idle: float | None = None  # engine speed it settles at
        self._past: deque[tuple[float, float, float]] = deque()
        self._stops = _STOPS_FREE
        self._stood_s = self._was_free_s = 0.0  # at this stop
        self._drove = False

    @property
    def idle_rpm(self) -> float:
        """Engine speed it settles at when left alone; 820 until seen."""
        return 820.0 if self._idle is None else self._idle

    def lost(self) -> None:
        """The clock was set: times from before say nothing."""
        self._last = None
        self._past.clear()

    def moved(self) -> None:
        """The vehicle moved: it was in gear, and stops in gear next time, or as it has done."""
        if self._last is not None:
            if self._drove and self._stood_s > 0.0:
                free, stops = self._stops
                share = min(_STOP[1], max(_STOP[0], self._was_free_s / self._stood_s))
                self._stops = free + share, stops + 1.0
            self.neutral = self._usual = self._stops[0] / self._stops[1]
            self._odds = self._usual / (1.0 - self._usual)
            self._heard_s = 0.0
            self._stood_s = self._was_free_s = 0.0
            self._drove = True
            self._last = None
            self._past.clear()

    def tick(
        self, t: float, n: float, torque: float | None, torque_sd: float, stalled: float, stated: int | None
    ) -> float:
        """torque: at the pump [N m], sd of its slow error; stalled: what a stalled converter takes at n."""
        dt = 0.3 if self._last is None else min(2.0, t - self._last)
        self._last = t
        p = self._odds / (1.0 + self._odds)
        p += _RATE * dt * (self._usual - p)
        odds = p / (1.0 - p) * self._by_step(t, n, torque, stalled)
        if stated is not None:
            odds *= 20.0 if stated == 0 else 0.05
        self._odds = odds = min(_MOST, max(1.0 / _MOST, odds))
        if torque is not None:
            odds *= self._by_level(dt, torque, torque_sd, stalled)
        odds = min(_MOST, max(1.0 / _MOST, odds))
        self.neutral = odds / (1.0 + odds)
        self._stood_s += dt
        self._was_free_s += dt * self.neutral
        return self.neutral

    def _by_level(self, dt: float, torque: float, torque_sd: float, stalled: float) -> float:
        """Odds of neutral by what a stalled converter takes: bound fluid takes less than a stall test's, and
        what is taken off for accessories is a guess."""
        calm = abs(self._past[-1][1] - self._past[0][1]) < _CALM_RPM
        if calm or torque > 0.5 * stalled or not self._heard_s:
            self._heard_s += dt
            self._level += dt / min(self._heard_s, _MEAN_S) * (torque - self._level)
        held_var = torque_sd * torque_sd + (0.35 * stalled) ** 2 + 25.0
        free_var = torque_sd * torque_sd + 100.0
        y, z = self._level + 4.0, self._level - 0.85 * stalled
        free = exp(-0.5 * min(y * y / free_var, 50.0)) / sqrt(free_var) + 3e-4
        held = exp(-0.5 * min(z * z / held_var, 50.0)) / sqrt(held_var) + 3e-4
        share: float = _SAY * min(1.0, self._heard_s / _HEARD_S)
        return exp(share * log(free / held))

    def _by_step(self, t: float, n: float, torque: float | None, stalled: float) -> float:
        """Odds of neutral by the load falling away, the engine flaring, or the load coming on."""
        past = self._past
        past.append((t, n, torque if torque is not None else 0.0))
        while len(past) > 2 and past[1][0] < t - _LAG_S:
            past.popleft()
        t0, n0, torque0 = past[0]
        if not 0.3 < t - t0 < 3.0 * _LAG_S:
            return 1.0
        rise = n - n0
        # settled, and neither switched off nor being started
        if abs(rise) < 8.0 and n > 400.0 and all(abs(m - n) < 25.0 for _, m, _ in past):
            self._idle = n if self._idle is None else self._idle + 0.1 * (n - self._idle)
        if self._idle is None:  # an engine just started flares by itself
            return 1.0
        high, low = rise > 40.0 and n > self._idle + 60.0, rise < -40.0 and n < self._idle - 50.0
        if torque is None:
            return 1.5 if high else 0.6 if low else 1.0
        step, share = torque - torque0, 0.2 * max(6.0, 0.8 * stalled)
        if high and step < -share:
            return 3.0
        return 0.35 if low and step > share else 1.0
