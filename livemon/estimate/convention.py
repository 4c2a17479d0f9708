"""Is the reported percent torque indicated, as the standards say, or already net of friction?

SAE J1979 PID 62 and J1939 SPN 513 are indicated torque [sae-j1979] [sae-j1939-71], yet control units report
net torque too. Taking off friction that was never in it shifts all torque by a tenth of the reference and
hides a lost stator reaction, so the drive itself is asked. Two kinds of moment tell, each counted once:

    standing at idle    net is what accessories and the pump take; indicated is that and friction
    overrun, foot off   fuel cut: indicated is nothing, net is minus friction
"""

from __future__ import annotations

from math import exp, log, sqrt
from typing import Final

from livemon.converter.engine_torque import FRICTION_PCT, FRICTION_PCT_SD
from livemon.estimate.interval import normal

# A unit that answers the friction percent as well reports by the standard. Common practice, no source.
_NET_PRIOR: Final = {True: 0.1, False: 0.5}
_IDLE_S: Final = 2.0
_OVERRUN_S: Final = 1.6
_SETTLED_S: Final = 0.8  # after the foot is off
_OVERRUN_LEAST_RPM: Final = 1300.0
_OVERRUN_LEAST_KMH: Final = 15.0
_PEDAL_UP_PCT: Final = 0.6  # above where it rests at a standstill; one step of the reading is 0.4
_IN_GEAR: Final = {True: 0.88, False: 0.4}  # share of standing in gear, after the first start and before it
_IDLE_WEIGHT, _IDLE_MOST = 0.7, 2.5  # one stop is much like the next
_SPAN_PCT: Final = 40.0  # what an odd moment may read
_ODD: Final = 0.05
_MOST: Final = 6.0


class Convention:
    """`look` at each percent reading; `net` is the probability that friction is already taken off."""

    def __init__(self) -> None:
        self._idle, self._overrun = 0.0, 0.0  # ln odds of net from each kind of moment
        self._moved = False
        self.net = _NET_PRIOR[False]
        self._friction_known = False
        self._resting_pedal_pct = -9.0
        self._kind = ""
        self._since_s = 0.0
        self._sum = 0.0
        self._count = 0
        self._told = False

    def _conclude(self) -> None:
        prior = _NET_PRIOR[self._friction_known]
        odds = max(-_IDLE_MOST, min(_IDLE_MOST, self._idle)) + self._overrun + log(prior / (1.0 - prior))
        self.net = 1.0 / (1.0 + exp(-max(-_MOST, min(_MOST, odds))))

    def look(
        self,
        t: float,
        percent: float,
        friction_pct: float | None,
        engine_rpm: float | None,
        road_kmh: float | None,
        pedal_pct: float | None,
        idle_pct: tuple[float, float],
    ) -> None:
        """Take one percent reading with the newest of the rest.

        idle_pct: what accessories and the pump in gear take at idle, in percent of the reference torque.
        """
        if friction_pct is not None and not self._friction_known:
            self._friction_known = True
            self._conclude()
        kind = ""
        if engine_rpm is not None and road_kmh is not None:
            self._moved = self._moved or road_kmh > _OVERRUN_LEAST_KMH
            if pedal_pct is not None and road_kmh <= 0.0:
                self._resting_pedal_pct = (
                    pedal_pct if self._resting_pedal_pct < 0.0 else min(self._resting_pedal_pct, pedal_pct)
                )
            foot_off = pedal_pct is not None and pedal_pct <= self._resting_pedal_pct + _PEDAL_UP_PCT
            if road_kmh <= 0.0 and 450.0 < engine_rpm < 1000.0 and (foot_off or pedal_pct is None):
                kind = "idle"
            elif foot_off and engine_rpm > _OVERRUN_LEAST_RPM and road_kmh > _OVERRUN_LEAST_KMH:
                kind = "overrun"
        if kind != self._kind:
            self._kind, self._since_s, self._sum, self._count, self._told = kind, t, 0.0, 0, False
        if not kind or self._told or t - self._since_s < _SETTLED_S:
            return
        self._sum += percent
        self._count += 1
        if self._count >= 2 and t - self._since_s >= (_IDLE_S if kind == "idle" else _OVERRUN_S):
            self._told = True
            self._weigh(kind, self._sum / self._count, friction_pct, idle_pct)

    def _weigh(
        self, kind: str, seen: float, friction_pct: float | None, idle_pct: tuple[float, float]
    ) -> None:
        friction, spread = (FRICTION_PCT, FRICTION_PCT_SD) if friction_pct is None else (friction_pct, 2.0)
        if kind == "idle":
            in_gear, in_gear_sd, free = idle_pct[0], idle_pct[1], 0.3 * idle_pct[0]  # or in neutral
            share = _IN_GEAR[self._moved]
            net = share * normal(seen, in_gear, in_gear_sd) + (1.0 - share) * normal(seen, free, 2.0)
            wide = sqrt(in_gear_sd**2 + spread**2)
            indicated = share * normal(seen, in_gear + friction, wide)
            indicated += (1.0 - share) * normal(seen, free + friction, sqrt(4.0 + spread**2))
        else:  # with the fuel cut, or with just enough of it to keep the fire in
            net = 0.7 * normal(seen, -friction, spread + 1.0) + 0.3 * normal(seen, -0.3 * friction, 4.0)
            indicated = 0.7 * normal(seen, 0.5, 1.5) + 0.3 * normal(seen, 0.7 * friction, 4.0)
        odd = _ODD / _SPAN_PCT
        told = log((net + odd) / (indicated + odd))
        if kind == "idle":
            self._idle = max(-_MOST, min(_MOST, self._idle + _IDLE_WEIGHT * told))
        else:
            self._overrun = max(-_MOST, min(_MOST, self._overrun + told))
        self._conclude()
