"""Evidence per regime: one short record for each launch, pull, locked, coasting and stationary stretch.

r_k = ln(K seen / K model), r_t = ln(turbine torque from the road / (pump torque x model's torque ratio)).
Their standard deviations hold everything that is not known (curve, torque, mass, grade), unlike the bank,
which carries those unknowns from one stretch to the next.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, log, sqrt
from typing import Final, Literal

from livemon.converter.curves import Curves, at, log_slope
from livemon.converter.engine_torque import gain_sd
from livemon.diagnose.facts import Facts, Faulty
from livemon.diagnose.looks import OVERRUN_SHARE_SD
from livemon.diagnose.nuisance import DRIFT, Prior, State
from livemon.diagnose.windows import GAP_S, Window
from livemon.quantities import AIR_DENSITY_KG_M3, RPM_TO_RAD_S, STANDARD_GRAVITY_M_S2
from livemon.records import Regime, Stretch
from livemon.vehicle import Vehicle, rotating_share

KEPT: Final = 600  # records; an eight-hour drive must not grow without end
_REGIMES: Final = frozenset(("launch", "pull", "locked", "coast", "stationary_in_gear"))
_LOCKED_SHARE, _OPEN_SHARE = 0.03, 0.15  # of peak torque: what counts as driving
_LEAST_NM, _LEAST_SHARE = 25.0, 0.1  # and to tell K; less is mostly what the signal is off by
_RELEASED_SHARE: Final = 0.05
_ROLLS_M_S: Final = 1.5
_BRAKED_M_S2: Final = -1.2  # no coasting: brakes are on, whatever is said
_LEAST_TAKEN: Final = 0.15  # of the torque supplied: less has no logarithm worth telling
_TOO_STEEP_SR: Final = 0.95  # there K turns any error of speed ratio into any K
_LOW_SR: Final = 0.65  # below this the stator's reaction shows in K and in the torque ratio
_PAST_SR: Final = 0.84  # above this a stator that never turns does


@dataclass(slots=True)
class _Sums:
    regime: Regime | Literal["past"]
    start_s: float
    end_s: float
    gear: int | None
    samples: int = 0
    k_n: int = 0
    k: float = 0.0
    k_variance: float = 0.0
    k_curve: float = 0.0
    k_tyre: float = 0.0
    k_lost: float = 0.0
    k_seized: float = 0.0
    k_inertia: float = 0.0
    k_ratio: float = 0.0
    t_n: int = 0
    supplied: float = 0.0
    taken: float = 0.0
    taken_variance: float = 0.0  # of the acceleration seen
    lost_supplied: float = 0.0
    seized_supplied: float = 0.0
    pump_nm: float = 0.0  # of windows that tell K
    t_pump_nm: float = 0.0  # of windows that tell the torque ratio
    excess_n: int = 0
    excess: float = 0.0
    braked: float = 0.0  # by the engine
    sr_first: float | None = None
    sr_last: float | None = None
    pedal: float | None = None
    source: str = ""
    speed_m_s: float = 0.0
    rpm: float = 0.0


class Stretches:
    """Feed windows; `records` holds finished stretches of every regime, oldest dropped past KEPT.

    `facts` knows one regime more, "past": what of a pull lies past the coupling point.
    """

    def __init__(self, vehicle: Vehicle, curves: Curves, prior: Prior) -> None:
        self._vehicle, self._curves, self._prior = vehicle, curves, prior
        self._weight_n = vehicle.mass_kg.value * exp(prior.mean[State.MASS]) * STANDARD_GRAVITY_M_S2
        self._now: _Sums | None = None
        self._past: _Sums | None = None
        self.launches: list[Stretch] = []
        self.records: list[Stretch] = []
        self.facts = Facts()

    def feed(self, w: Window) -> None:
        """Take one window."""
        now = self._now
        if now is not None and (w.regime != now.regime or w.start_s - now.end_s > GAP_S):
            self.end()
            now = None
        if w.regime not in _REGIMES:
            return
        if now is None:
            now = self._now = _Sums(w.regime, w.start_s, w.end_s, w.gear)
        now.end_s = w.end_s
        now.samples += w.samples
        now.gear = w.gear if w.gear is not None else now.gear
        now.rpm = max(now.rpm, w.engine_rpm)
        if w.torque_source:
            now.source = w.torque_source
        if w.pedal_pct is not None:
            now.pedal = max(now.pedal or 0.0, w.pedal_pct)
        if w.road_speed_m_s is not None:
            now.speed_m_s = max(now.speed_m_s, w.road_speed_m_s)
        if w.speed_ratio is not None:
            now.sr_last = w.speed_ratio
            if now.sr_first is None:
                now.sr_first = w.speed_ratio
        self._add_capacity(now, w)
        self._add_force(now, w)
        if w.regime == "pull" and w.speed_ratio is not None and w.speed_ratio > _PAST_SR:
            if self._past is None:
                self._past = _Sums("past", w.start_s, w.end_s, w.gear)
            self._past.end_s = w.end_s
            self._past.speed_m_s = now.speed_m_s
            self._past.source = now.source
            self._add_capacity(self._past, w)
            self._add_force(self._past, w)

    def end(self) -> None:
        """The stretch going on is over."""
        past, self._past = self._past, None
        if past is not None:
            self._capacity(past)
            self._force(past)
        now, self._now = self._now, None
        if now is None or (now.k_n == now.t_n == now.excess_n == 0):
            return
        record = self._record(now)
        if now.regime == "launch":
            self.launches.append(record)
            del self.launches[:-KEPT]
        self.records.append(record)
        del self.records[:-KEPT]

    def _add_capacity(self, now: _Sums, w: Window) -> None:
        pump, ratio = w.pump_torque_nm, w.speed_ratio
        if (
            now.regime not in ("launch", "pull", "past", "stationary_in_gear")
            or pump is None
            or ratio is None
        ):
            return
        if pump < max(_LEAST_NM, _LEAST_SHARE * self._prior.torque_nm) or ratio > _TOO_STEEP_SR:
            return
        if now.regime == "launch" and ratio > _LOW_SR:
            return
        c = self._curves
        k = at(c.k, ratio)
        slope = log_slope(c.k, ratio)
        now.k_n += 1
        now.k += log(w.engine_rpm / sqrt(pump) / k)
        now.k_variance += (0.5 * w.pump_torque_sd_nm / pump) ** 2 + (slope * w.speed_ratio_sd) ** 2
        now.k_variance += (0.5 * w.pump_torque_unsure_nm / pump) ** 2
        now.k_tyre += slope * ratio
        now.k_inertia += 0.5 * RPM_TO_RAD_S * w.engine_accel_rpm_s / pump
        now.k_curve += at(c.k_sd, ratio) / k
        now.k_lost += log(at(c.k_lost, ratio) / k)
        now.k_seized += log(at(c.k_seized, ratio) / k)
        now.k_ratio += ratio
        now.pump_nm += pump

    def _add_force(self, now: _Sums, w: Window) -> None:
        speed, per_m, pump = w.road_speed_m_s, w.turbine_rad_per_m, w.pump_torque_nm
        if speed is None or speed < _ROLLS_M_S:
            return
        body = self._vehicle
        takes = (
            w.road_accel_m_s2 * (1.0 + rotating_share(body, per_m)) / STANDARD_GRAVITY_M_S2
            + body.rolling_resistance.value
            + 0.5 * AIR_DENSITY_KG_M3 * body.drag_area_m2.value * speed * speed / self._weight_n
        )
        unsure = (w.road_accel_sd_m_s2**2 + w.road_accel_unsure_m_s2**2) / STANDARD_GRAVITY_M_S2**2
        if now.regime == "coast":
            released = pump is None or pump < _RELEASED_SHARE * self._prior.torque_nm
            if released and w.brake is not True and w.road_accel_m_s2 > _BRAKED_M_S2:
                braked = 0.0
                if pump is not None and per_m is not None and pump < 0.0:
                    braked = -pump * per_m / (body.efficiency.value * self._weight_n)
                now.excess_n += 1
                now.excess -= takes + braked
                now.taken_variance += unsure
                now.braked += braked
            return
        # With the clutch on all that drives counts: to take high torque alone would be to pick the hills.
        least = _LOCKED_SHARE if now.regime == "locked" else _OPEN_SHARE
        if pump is None or per_m is None or pump < least * self._prior.torque_nm:
            return
        ratio = w.speed_ratio
        if now.regime == "locked":
            tr = seized = 1.0
        elif now.regime in ("launch", "pull", "past") and ratio is not None:
            if now.regime == "launch" and ratio > _LOW_SR:
                return
            tr, seized = at(self._curves.tr, ratio), at(self._curves.tr_seized, ratio)
        else:
            return
        supplied = pump * tr * per_m * body.efficiency.value / self._weight_n
        now.t_n += 1
        now.supplied += supplied
        now.lost_supplied += supplied / tr
        now.seized_supplied += supplied * seized / tr
        now.taken += takes
        now.taken_variance += unsure
        now.t_pump_nm += pump

    def _offset(self, pump_nm: float) -> float:
        return self._prior.sd[State.OFFSET] / pump_nm

    def _hills(self, metres: float) -> float:
        """Sd of the mean slope of so much road: short hills even out."""
        _, hill_m, rms = DRIFT[State.GRADE]
        return rms * sqrt(min(1.0, 2.0 * hill_m / max(metres, 1.0)))

    def _capacity(self, now: _Sums) -> tuple[float, float] | None:
        """r_k and its sd, which the facts are told too."""
        n, sd = now.k_n, self._prior.sd
        if not n:
            return None
        r_k = now.k / n
        own = hypot(_seen_sd(now.k_variance, n), DRIFT[State.K_WANDER][2])
        tyre, inertia = sd[State.TYRE] * now.k_tyre / n, sd[State.INERTIA] * now.k_inertia / n
        torque = 0.5 * hypot(gain_sd(now.source), self._offset(now.pump_nm / n))
        shared = hypot(now.k_curve / n, torque, tyre, inertia)
        faulty = Faulty(now.k_lost / n, now.k_seized / n)
        self.facts.add("r_k", now.regime, r_k, own, shared, faulty, now.end_s - now.start_s)
        return r_k, hypot(own, shared)

    def _force(self, now: _Sums) -> tuple[float, float] | None:
        """r_t and its sd, likewise; None where too little force was taken for a logarithm."""
        n, sd, seconds = now.t_n, self._prior.sd, now.end_s - now.start_s
        if not n:
            return None
        road = n * hypot(self._hills(now.speed_m_s * seconds), _seen_sd(now.taken_variance, n))
        own = hypot(road, now.supplied * DRIFT[State.GAIN_WANDER][2])
        tr = self._curves.tr_sd[20] / self._curves.tr[20] if now.regime == "launch" else 0.0
        level = hypot(DRIFT[State.SLOPE][2], sd[State.ROLLING]) * n / now.supplied
        torque = hypot(gain_sd(now.source), self._offset(now.t_pump_nm / n))
        shared = hypot(sd[State.MASS], sd[State.LINE], torque, tr, level)
        faulty = Faulty(now.lost_supplied, now.seized_supplied)
        self.facts.add_force(now.regime, now.taken, now.supplied, faulty, own, shared, seconds)
        if now.taken <= _LEAST_TAKEN * now.supplied:
            return None
        return log(now.taken / now.supplied), hypot(own / now.supplied, shared)

    def _excess(self, now: _Sums) -> tuple[float, float]:
        """What held a coasting vehicle back beyond tyres, air and engine, over weight, and its sd."""
        n, seconds = now.excess_n, now.end_s - now.start_s
        own = hypot(self._hills(now.speed_m_s * seconds), _seen_sd(now.taken_variance, n))
        level = hypot(DRIFT[State.SLOPE][2], self._prior.sd[State.ROLLING])
        shared = hypot(level, OVERRUN_SHARE_SD * now.braked / n)
        self.facts.add("excess", now.regime, now.excess / n, own, shared, Faulty(), seconds)
        return now.excess / n, hypot(own, shared)

    def _record(self, now: _Sums) -> Stretch:
        assert now.regime != "past"
        details: dict[str, float | int | str | None] = {}
        r_k, r_k_sd = self._capacity(now) or (None, None)
        if now.k_n:
            details |= {
                "k_windows": now.k_n,
                "mean_speed_ratio": round(now.k_ratio / now.k_n, 3),
                "r_k_if_reaction_lost": round(now.k_lost / now.k_n, 3),
            }
        r_t, r_t_sd = self._force(now) or (None, None)
        if now.t_n:
            details["t_windows"] = now.t_n
            if now.regime != "locked":
                details["r_t_if_reaction_lost"] = round(log(now.lost_supplied / now.supplied), 3)
        if now.excess_n:
            excess, sd = self._excess(now)
            details["coast_windows"] = now.excess_n
            details["excess_force_pct_of_weight"] = round(100.0 * excess, 2)
            details["excess_force_sd_pct_of_weight"] = round(100.0 * sd, 2)
        pump_nm = now.pump_nm / now.k_n if now.k_n else now.t_pump_nm / now.t_n if now.t_n else None
        details |= {
            "speed_ratio_first": None if now.sr_first is None else round(now.sr_first, 3),
            "speed_ratio_last": None if now.sr_last is None else round(now.sr_last, 3),
            "pump_torque_nm": None if pump_nm is None else round(pump_nm, 1),
            "most_engine_rpm": round(now.rpm),
            "top_speed_kmh": round(3.6 * now.speed_m_s, 1),
            "most_pedal_pct": None if now.pedal is None else round(now.pedal),
            "torque_source": now.source,
        }
        return Stretch(
            round(now.start_s, 3),
            round(now.end_s, 3),
            now.regime,
            now.gear,
            now.samples,
            None if r_k is None else round(r_k, 4),
            None if r_k_sd is None else round(r_k_sd, 4),
            None if r_t is None else round(r_t, 4),
            None if r_t_sd is None else round(r_t_sd, 4),
            details,
        )


def _seen_sd(variance: float, n: int) -> float:
    """Sd of the mean of n windows from the sum of their variances: what they share lasts for some of them."""
    return sqrt(variance / n / min(n, 3))
