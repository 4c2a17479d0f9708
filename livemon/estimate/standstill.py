"""Standing still: held in gear (turbine at rest) or in neutral or park (turbine turns with the engine).

Evidence: pump torque against what a stalled converter takes at this speed, its steps and the engine's dip or
flare as the selector moves, the gear the vehicle states, and whether this box has let go at its other stops.
"""

from __future__ import annotations

from collections import deque
from math import exp, inf, log, sqrt
from typing import Final

from livemon.estimate.interval import normal
from livemon.estimate.torque import RUNS_RPM
from livemon.estimate.zero import Zero

# Selector moves while standing [1/s]: so many anyway, for a drive ends with one; so many more as this vehicle
# does at its stops; and before the first start. Common practice, no source.
_ANYWAY, _AS_USUAL, _BEFORE = 0.002, 0.006, 0.025
# Steps of torque from elsewhere: a compressor, lamps. Common practice, no source.
_OTHERS_1_S, _OTHERS_NM = 1.0 / 60.0, 10.0
_FLARES, _DIPS = 1.5, 0.6  # odds of neutral, of each moment in which the engine does. Common practice
_STEP_NM: Final = 6.0  # the least that counts
_STEP_SD_NM: Final = 5.0
_ODD: Final = 1e-6  # in N m: any step is possible
_STANDS_S: Final = 1.5  # as it comes to rest the load changes by itself
_SAY: Final = 0.8  # of the level: bias and model are known less well than their sd say
_HEARD_S, _MEAN_S = 1.2, 3.0  # until the level has had its say, and its memory
_MOST: Final = 1e3
_LAG_S, _CALM_RPM = 0.9, 60.0
_STARTS_FREE: Final = 0.4  # a recording may well begin in park
_STOPS_FREE: Final = (0.16, 2.0)  # some boxes let go at a stop by themselves: stops with it, stops
_STOP: Final = (0.02, 0.98)  # one stop is never quite clear
_RESTARTS_FREE: Final = 0.15  # an engine switched off at the stop starts to drive on, or as park is chosen
_CERTAIN: Final = 0.05
_ROLLS_S: Final = 5.0  # one roll to a stop teaches once


class Standstill:
    """`moved` on the move, `tick` while standing; `neutral` is the probability that nothing holds the
    turbine."""

    __slots__ = (
        "_drove", "_free", "_heard_s", "_idle", "_last", "_level", "_past", "_rolled_s", "_stalled",
        "_stood_s", "_stops", "_torque_sd", "_usual", "_was_free_s", "_zero", "neutral",
    )  # fmt: skip

    def __init__(self, zero: Zero) -> None:
        self.neutral = self._usual = _STARTS_FREE
        self._free = self._usual  # probability of neutral by all but torque's level
        self._heard_s = self._level = self._stalled = 0.0  # of this stop
        self._zero, self._torque_sd = zero, 0.0
        self._last: float | None = None
        self._idle: float | None = None  # engine speed it settles at
        self._past: deque[tuple[float, float, float | None]] = deque()  # time, engine speed, torque
        self._stops = _STOPS_FREE
        self._stood_s = self._was_free_s = 0.0  # at this stop
        self._drove = False
        self._rolled_s = -inf

    @property
    def idle_rpm(self) -> float:
        """Engine speed it settles at when left alone; 820 until seen."""
        return 820.0 if self._idle is None else self._idle

    def lost(self) -> None:
        """The clock was set: times from before say nothing."""
        self._last = None
        self._past.clear()
        self._rolled_s = -inf

    def moved(self) -> None:
        """The vehicle moved: it was in gear, and stops in gear next time, or as it has done."""
        if self._last is not None:
            if self._drove and self._stood_s > 0.0:
                free, stops = self._stops
                share = min(_STOP[1], max(_STOP[0], self._was_free_s / self._stood_s))
                self._stops = free + share, stops + 1.0
            held = self.neutral < _CERTAIN
            if self._heard_s > _HEARD_S and (held or self.neutral > 1.0 - _CERTAIN):
                self._zero.learn(self._level, self._stalled if held else 0.0, self._torque_sd)
            self.neutral = self._free = self._usual = self._stops[0] / self._stops[1]
            self._heard_s = 0.0
            self._stood_s = self._was_free_s = 0.0
            self._drove = True
            self._last = None
            self._past.clear()

    def rolled(self, t: float, torque: float, torque_sd: float, pump: float) -> None:
        """Rolling to a stop in gear, foot off: torque seen, and what the pump takes by its curve [N m]."""
        if t > self._rolled_s + _ROLLS_S:
            self._rolled_s = t
            self._zero.learn(torque, pump, torque_sd)

    def tick(
        self,
        t: float,
        n: float,
        torque: float | None,
        torque_sd: float,
        stalled: float,
        stated: tuple[bool, float] | None,
    ) -> float:
        """torque: at the pump as the engine tells it [N m], sd of its slow error; stalled: what a stalled
        converter takes at n; stated: whether neutral is, and the weight of its being the other."""
        dt = 0.3 if self._last is None else min(2.0, t - self._last)
        self._last = t
        leaves, returns = self._rates()
        p = self._free
        p += dt * ((1.0 - p) * leaves - p * returns)
        self._free = self._by_step(p, t, n, torque, stalled)
        odds = self._free / (1.0 - self._free)
        if stated is not None:
            odds *= 1.0 / stated[1] if stated[0] else stated[1]
        odds = min(_MOST, max(1.0 / _MOST, odds))
        self._free = odds / (1.0 + odds)
        if torque is not None:
            self._torque_sd = torque_sd
            odds *= self._by_level(dt, torque, stalled)
        odds = min(_MOST, max(1.0 / _MOST, odds))
        self.neutral = odds / (1.0 + odds)
        self._stood_s += dt
        self._was_free_s += dt * self.neutral
        return self.neutral

    def _rates(self) -> tuple[float, float]:
        """Selector moves [1/s]: to neutral where in gear, into gear where not."""
        anyway, usual = (_ANYWAY, _AS_USUAL) if self._drove else (0.0, _BEFORE)
        return anyway + usual * self._usual, anyway + usual * (1.0 - self._usual)

    def _by_level(self, dt: float, torque: float, stalled: float) -> float:
        """Odds of neutral by what a stalled converter takes."""
        if abs(self._past[-1][1] - self._past[0][1]) < _CALM_RPM and len(self._past) > 1:
            self._heard_s += dt
            share = dt / min(self._heard_s, _MEAN_S)
            self._level += share * (torque - self._level)
            self._stalled += share * (stalled - self._stalled)
        zero, sd = self._zero, self._torque_sd
        say: float = _SAY * min(1.0, self._heard_s / _HEARD_S)
        told = zero.likelihood(self._level, 0.0, sd) / zero.likelihood(self._level, self._stalled, sd)
        return exp(say * log(told))

    def _by_step(self, p: float, t: float, n: float, torque: float | None, stalled: float) -> float:
        """Probability of neutral after the load falls away or comes on, and the engine flares or dips."""
        past = self._past
        if past and past[-1][1] < RUNS_RPM <= n:
            p = max(p, _RESTARTS_FREE)
            past.clear()
            self._heard_s = 0.0
        past.append((t, n, torque))
        while len(past) > 2 and past[1][0] < t - _LAG_S:
            past.popleft()
        t0, n0, torque0 = past[0]
        if not 0.3 < t - t0 < 3.0 * _LAG_S:
            return p
        rise = n - n0
        # settled, and neither switched off nor being started
        if abs(rise) < 8.0 and n > RUNS_RPM and all(abs(m - n) < 25.0 for _, m, _ in past):
            self._idle = n if self._idle is None else self._idle + 0.1 * (n - self._idle)
        if self._idle is None:  # an engine just started flares by itself
            return p
        if rise > 40.0 and n > self._idle + 60.0:
            p *= _FLARES / (1.0 - p + p * _FLARES)
        elif rise < -40.0 and n < self._idle - 50.0:
            p *= _DIPS / (1.0 - p + p * _DIPS)
        if torque is None or torque0 is None or abs(torque - torque0) < _STEP_NM or abs(rise) > _CALM_RPM:
            return p
        past.clear()  # a step has its say once
        past.append((t, n, torque))
        self._heard_s = min(self._heard_s, 0.5)
        if self._stood_s < _STANDS_S:
            return p
        step = torque - torque0
        taken, variance = self._zero.taken(stalled)
        sd = sqrt(variance + _STEP_SD_NM**2)
        other = _OTHERS_1_S * (normal(step, 0.0, _OTHERS_NM) + _ODD)
        leaves, returns = self._rates()
        leaves *= normal(step, -taken, sd) + _ODD
        returns *= normal(step, taken, sd) + _ODD
        return p * (1.0 - returns / (returns + other)) + (1.0 - p) * leaves / (leaves + other)
