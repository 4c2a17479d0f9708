"""Standing still: held in gear (turbine at rest) or in neutral or park (turbine turns with the engine).

Evidence: pump torque against what a stalled converter takes at this speed, its steps and the engine's dip or
flare as the selector moves, the gear the vehicle states, and whether this box has let go at its other stops.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from math import exp, inf, log, sqrt
from typing import Final

from livemon.estimate.interval import normal
from livemon.estimate.selector import ENDS, INTO_GEAR, NOTHING, Event, Moved, Selector, goes
from livemon.estimate.torque import RUNS_RPM
from livemon.estimate.zero import Zero

# The selector leaves gear [1/s]: so often anyway, for a drive ends with it; so much oftener as this vehicle
# does at its stops. Common practice, no source.
_ANYWAY, _AS_USUAL = 0.002, 0.006
_UNSEEN: Final = 0.1  # of these, where torque is told and does not step. Common practice, no source
# Steps of torque and dips from elsewhere: compressors cycle twice a minute. Common practice, no source.
_OTHERS_1_S, _OTHERS_NM = 1.0 / 30.0, 10.0
_DIP_RPM, _DIPS, _DIPS_LEAVING = 40.0, 0.5, 0.1  # the engine does as it is put in gear, out of gear
_FLARE_RPM, _FLARES = 40.0, 1.5  # odds of neutral, once for each time the engine does
_STEP_NM: Final = 6.0  # the least that counts
_STEP_SD_NM: Final = 5.0
_ON_ITS_WAY: Final = (0.3, 3.0, 0.2)  # a step still is: within so many seconds, by N m, by a share of it
_ODD: Final = 1e-6  # in N m: any step is possible
_STANDS_S: Final = 1.5  # as it comes to rest the load changes by itself
_SAY: Final = 0.8  # of the level: bias and model are known less well than their sd say
_HEARD_S, _MEAN_S = 1.2, 3.0  # until the level has had its say, and its memory
_LAG_S, _CALM_RPM = 1.2, 60.0
_STARTS_FREE: Final = 0.4  # a recording may well begin in park
_STOPS_FREE: Final = (0.16, 2.0)  # some boxes let go at a stop by themselves: stops with it, stops
_STOP: Final = (0.02, 0.98)  # one stop is never quite clear
_RESTARTS_FREE: Final = 0.15  # an engine switched off starts as the selector moves, or to drive on
_CERTAIN: Final = 0.05
_ROLLS_S: Final = 5.0  # one roll to a stop teaches once


class Standstill:
    """`moved` on the move, `tick` while standing; `neutral` is the probability that nothing holds the
    turbine."""

    __slots__ = (
        "_drove", "_flares", "_heard_s", "_idle", "_last", "_level", "_past", "_rolled_s",
        "_selector", "_stalled", "_stood_s", "_stops", "_torque_sd", "_zero", "neutral",
    )  # fmt: skip

    def __init__(self, zero: Zero) -> None:
        self.neutral = _STARTS_FREE
        self._selector = Selector(self.neutral)
        self._heard_s = self._level = self._stalled = 0.0  # since the last step
        self._zero, self._torque_sd = zero, 0.0
        self._last: float | None = None
        self._idle: float | None = None  # engine speed it settles at
        self._past: deque[tuple[float, float, float | None]] = deque()  # time, engine speed, torque
        self._stops = _STOPS_FREE
        self._stood_s = 0.0  # at this stop
        self._drove = self._flares = False
        self._rolled_s = -inf

    @property
    def idle_rpm(self) -> float:
        """Engine speed it settles at when left alone; 820 until seen."""
        return 820.0 if self._idle is None else self._idle

    def lost(self) -> None:
        """The clock was set: times from before say nothing."""
        self._last = None
        self._past.clear()
        self._heard_s = self._stood_s = 0.0
        self.neutral = self._usual if self._drove else _STARTS_FREE
        self._selector.begin(self.neutral)
        self._rolled_s = -inf

    def moved(self) -> list[float]:
        """The vehicle moves, in gear for the most part, and stops as it has done next time.

        `neutral` of the last moments of the stop it leaves, newest first, by all that was seen of it.
        """
        if self._last is None:
            if not self._drove:  # the recording begins under way
                self._drove, self.neutral = True, self._usual
                self._selector.begin(self.neutral)
            return []
        past = list(self._selector.smoothed(goes(self._usual if self._drove else 0.0)))
        if self._drove:
            free, stops = self._stops
            self._stops = free + min(_STOP[1], max(_STOP[0], sum(past) / len(past))), stops + 1.0
        held = past[0] < _CERTAIN
        if self._heard_s > _HEARD_S and (held or past[0] > 1.0 - _CERTAIN):
            self._zero.learn(self._level, self._stalled if held else 0.0, self._torque_sd)
        self.neutral = self._usual
        self._selector.begin(self.neutral)
        self._heard_s = self._stood_s = 0.0
        self._drove = True
        self._last = None
        self._past.clear()
        return past

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
        moved, odds = self._seen(t, n, torque, stalled)
        if stated is not None:
            odds *= 1.0 / stated[1] if stated[0] else stated[1]
        leaves = self._leaves
        if torque is not None:
            self._torque_sd = torque_sd
            self._hear(dt, torque, stalled)
            leaves *= _UNSEEN
        self.neutral = self._selector.tick(dt, leaves, moved, odds, self._by_level())
        self._stood_s += dt
        return self.neutral

    def smoothed(self, ends: bool) -> Iterator[float]:
        """`neutral` of the moments of this stop, newest first, by all of it; ends: with it the drive does."""
        return self._selector.smoothed(ENDS if ends and self._drove else NOTHING)

    @property
    def _usual(self) -> float:
        """Share of stops in neutral."""
        return self._stops[0] / self._stops[1]

    @property
    def _leaves(self) -> float:
        return _ANYWAY + _AS_USUAL * (self._usual if self._drove else _STARTS_FREE)

    def _hear(self, dt: float, torque: float, stalled: float) -> None:
        """The level of torque, and of what a stalled converter takes, since something last changed."""
        if abs(self._past[-1][1] - self._past[0][1]) < _CALM_RPM and len(self._past) > 1:
            self._heard_s += dt
            share = dt / min(self._heard_s, _MEAN_S)
            self._level += share * (torque - self._level)
            self._stalled += share * (stalled - self._stalled)

    def _by_level(self) -> float:
        """Odds of neutral by that level; one that was heard stands when torque falls silent."""
        if self._heard_s <= 0.0:
            return 1.0
        zero, sd = self._zero, self._torque_sd
        say: float = _SAY * min(1.0, self._heard_s / _HEARD_S)
        told = zero.likelihood(self._level, 0.0, sd) / zero.likelihood(self._level, self._stalled, sd)
        return exp(say * log(told))

    def _seen(self, t: float, n: float, torque: float | None, stalled: float) -> tuple[Moved | None, float]:
        """What may be the selector, and how many moments ago; odds of neutral, as the engine flares."""
        past = self._past
        started = bool(past) and past[-1][1] < RUNS_RPM <= n
        if started:
            self._new_level()
        past.append((t, n, torque))
        if started:  # to drive on, or as park is chosen
            return (Event(_RESTARTS_FREE, _RESTARTS_FREE, 1.0 - _RESTARTS_FREE), 0), 1.0
        while len(past) > 2 and past[1][0] < t - _LAG_S:
            past.popleft()
        t0, n0, torque0 = past[0]
        if not 0.3 < t - t0 < 3.0 * _LAG_S:
            return None, 1.0
        rise = n - n0
        # settled, and neither switched off nor being started
        if abs(rise) < 8.0 and n > RUNS_RPM and all(abs(m - n) < 25.0 for _, m, _ in past):
            self._idle = n if self._idle is None else self._idle + 0.1 * (n - self._idle)
        if self._idle is None:  # an engine just started flares by itself
            return None, 1.0
        flares = rise > _FLARE_RPM and n > self._idle + 60.0
        odds, self._flares = _FLARES if flares and not self._flares else 1.0, flares
        if torque is None or torque0 is None:
            return self._dip(rise, self._idle - n), odds
        return self._step(torque, torque0, rise, stalled), odds

    def _new_level(self) -> None:
        """Something has changed: the level begins anew, and what is past has had its say."""
        newest = self._past[-1]
        self._past.clear()
        self._past.append(newest)
        self._heard_s = 0.0

    def _dip(self, rise: float, below_idle: float) -> Moved | None:
        """The engine takes on a load, torque untold."""
        if rise > -_DIP_RPM or below_idle < _DIP_RPM:
            return None
        self._new_level()
        return Event(self._leaves * _DIPS_LEAVING, INTO_GEAR * _DIPS, _OTHERS_1_S), 0

    def _step(self, torque: float, torque0: float, rise: float, stalled: float) -> Moved | None:
        """The load falls away or comes on."""
        step, past = torque - torque0, self._past
        if abs(step) < _STEP_NM or abs(rise) > _CALM_RPM:
            return None
        within_s, by_nm, share = _ON_ITS_WAY
        just = next((q for s, _, q in reversed(past) if s <= past[-1][0] - within_s), torque0)
        if just is not None and abs(torque - just) > max(by_nm, share * abs(step)):
            return None
        ago = sum(1 for _, _, q in past if q is not None and abs(q - torque0) > 0.5 * abs(step)) - 1
        self._new_level()
        if self._stood_s < _STANDS_S:
            return None
        taken, variance = self._zero.taken(stalled)
        sd = sqrt(variance + _STEP_SD_NM**2)
        return Event(
            self._leaves * (normal(step, -taken, sd) + _ODD),
            INTO_GEAR * (normal(step, taken, sd) + _ODD),
            _OTHERS_1_S * (normal(step, 0.0, _OTHERS_NM) + _ODD),
        ), ago
