"""Evidence per regime: one short record for each launch, pull, locked, coasting and stationary stretch.

r_k = ln(K seen / K model), r_t = ln(turbine torque from the road / (pump torque x model's torque ratio)).
Their standard deviations hold everything that is not known (curve, torque, mass, grade), unlike the bank,
which carries those unknowns from one stretch to the next.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, log, sqrt
from typing import Final

from livemon.converter.curves import Curves, at
from livemon.converter.engine_torque import gain_sd
from livemon.diagnose.facts import Facts
from livemon.diagnose.nuisance import DRIFT, Prior, State
from livemon.diagnose.windows import Window
from livemon.quantities import AIR_DENSITY_KG_M3, RPM_TO_RAD_S, STANDARD_GRAVITY_M_S2
from livemon.records import Launch
from livemon.vehicle import Vehicle

KEPT: Final = 600  # records; an eight-hour drive must not grow without end
_REGIMES: Final = frozenset(("launch", "pull", "locked", "coast", "stationary_in_gear"))
_LOCKED_SHARE, _OPEN_SHARE = 0.03, 0.15  # of peak torque: what counts as driving
_LOW_SR: Final = 0.65  # below this the stator's reaction shows in K and in the torque ratio


@dataclass(slots=True)
class _Sums:
    regime: str
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
    k_inertia: float = 0.0
    k_ratio: float = 0.0
    t_n: int = 0
    supplied: float = 0.0
    taken: float = 0.0
    lost_supplied: float = 0.0
    pump_nm: float = 0.0  # of windows that tell K
    t_pump_nm: float = 0.0  # of windows that tell the torque ratio
    excess_n: int = 0
    excess: float = 0.0
    sr_first: float | None = None
    sr_last: float | None = None
    pedal: float | None = None
    source: str = ""
    speed_m_s: float = 0.0
    rpm: float = 0.0


class Stretches:
    """Feed windows; `records` holds finished stretches of every regime, oldest dropped past KEPT."""

    def __init__(self, vehicle: Vehicle, curves: Curves, prior: Prior) -> None:
        self._vehicle, self._curves, self._prior = vehicle, curves, prior
        self._weight_n = vehicle.mass_kg.value * exp(prior.mean[State.MASS]) * STANDARD_GRAVITY_M_S2
        self._now: _Sums | None = None
        self.launches: list[Launch] = []
        self.records: list[Launch] = []
        self.facts = Facts()

    def feed(self, w: Window) -> None:
        """Take one window."""
        now = self._now
        if now is not None and (w.regime != now.regime or w.start_s - now.end_s > 2.5):
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

    def end(self) -> None:
        """The stretch going on is over."""
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
        if now.regime not in ("launch", "pull", "stationary_in_gear") or pump is None or ratio is None:
            return
        if pump < max(25.0, 0.1 * self._prior.torque_nm) or ratio > 0.95:
            return
        if now.regime == "launch" and ratio > _LOW_SR:
            return
        c = self._curves
        k = at(c.k, ratio)
        slope = (at(c.k, min(ratio + 0.02, 0.98)) - at(c.k, max(ratio - 0.02, 0.0))) / (0.04 * k)
        now.k_n += 1
        now.k += log(w.engine_rpm / sqrt(pump) / k)
        now.k_variance += (0.5 * w.pump_torque_sd_nm / pump) ** 2 + (slope * w.speed_ratio_sd) ** 2
        now.k_variance += (0.5 * w.pump_torque_unsure_nm / pump) ** 2
        now.k_tyre += slope * ratio
        now.k_inertia += 0.5 * RPM_TO_RAD_S * w.engine_accel_rpm_s / pump
        now.k_curve += at(c.k_sd, ratio) / k
        now.k_lost += log(at(c.k_lost, ratio) / k)
        now.k_ratio += ratio
        now.pump_nm += pump

    def _add_force(self, now: _Sums, w: Window) -> None:
        speed, per_m, pump = w.road_speed_m_s, w.turbine_rad_per_m, w.pump_torque_nm
        if speed is None or speed < 1.5:
            return
        body = self._vehicle
        takes = (
            w.road_accel_m_s2 * 1.04 / STANDARD_GRAVITY_M_S2
            + body.rolling_resistance.value
            + 0.5 * AIR_DENSITY_KG_M3 * body.drag_area_m2.value * speed * speed / self._weight_n
        )
        if now.regime == "coast":
            released = pump is None or pump < 0.05 * self._prior.torque_nm
            if released and w.brake is not True and w.road_accel_m_s2 > -1.2:
                now.excess_n += 1
                now.excess -= takes
            return
        # With the clutch on all that drives counts: to take high torque alone would be to pick the hills.
        least = _LOCKED_SHARE if now.regime == "locked" else _OPEN_SHARE
        if pump is None or per_m is None or pump < least * self._prior.torque_nm:
            return
        ratio = w.speed_ratio
        if now.regime == "locked":
            tr = 1.0
        elif now.regime in ("launch", "pull") and ratio is not None:
            if now.regime == "launch" and ratio > _LOW_SR:
                return
            tr = at(self._curves.tr, ratio)
        else:
            return
        supplied = pump * tr * per_m * body.efficiency.value / self._weight_n
        now.t_n += 1
        now.supplied += supplied
        now.lost_supplied += supplied / tr
        now.taken += takes
        now.t_pump_nm += pump

    def _record(self, now: _Sums) -> Launch:
        gain, sd = gain_sd(now.source), self._prior.sd
        details: dict[str, float | int | str | None] = {"regime": now.regime, "gear": now.gear}
        r_k = r_k_sd = r_t = r_t_sd = None
        pump_nm = now.pump_nm / now.k_n if now.k_n else now.t_pump_nm / now.t_n if now.t_n else None
        offset = sd[State.OFFSET] / pump_nm if pump_nm else 0.0
        if now.k_n:
            n = now.k_n
            r_k = now.k / n
            own = sqrt(now.k_variance / n / min(n, 3) + DRIFT[State.K_WANDER][2] ** 2)
            tyre, inertia = sd[State.TYRE] * now.k_tyre / n, sd[State.INERTIA] * now.k_inertia / n
            shared = hypot(now.k_curve / n, 0.5 * gain, 0.5 * offset, tyre, inertia)
            r_k_sd = hypot(own, shared)
            lost = now.k_lost / n
            self.facts.add("r_k", now.regime, r_k, own, shared, lost, now.end_s - now.start_s)
            details |= {
                "k_windows": n,
                "mean_speed_ratio": round(now.k_ratio / n, 3),
                "r_k_if_reaction_lost": round(now.k_lost / n, 3),
            }
        if now.t_n:
            n, seconds = now.t_n, now.end_s - now.start_s
            # hills even out over the metres of a stretch
            hills = sqrt(min(1.0, 2.0 * DRIFT[State.GRADE][1] / max(now.speed_m_s * seconds, 1.0)))
            own = hypot(n * hills * DRIFT[State.GRADE][2], now.supplied * DRIFT[State.GAIN_WANDER][2])
            tr = self._curves.tr_sd[20] / self._curves.tr[20] if now.regime == "launch" else 0.0
            level = hypot(DRIFT[State.SLOPE][2], sd[State.ROLLING]) * n / now.supplied
            shared = hypot(sd[State.MASS], sd[State.LINE], gain, offset, tr, level)
            self.facts.add_force(now.regime, now.taken, now.supplied, now.lost_supplied, own, shared, seconds)
            if now.taken > 0.15 * now.supplied:
                r_t = log(now.taken / now.supplied)
                r_t_sd = hypot(own / now.supplied, shared)
            details["t_windows"] = now.t_n
            if now.regime != "locked":
                details["r_t_if_reaction_lost"] = round(log(now.lost_supplied / now.supplied), 3)
        if now.excess_n:
            details["coast_windows"] = now.excess_n
            details["excess_force_pct_of_weight"] = round(100.0 * now.excess / now.excess_n, 2)
        details |= {
            "speed_ratio_first": None if now.sr_first is None else round(now.sr_first, 3),
            "speed_ratio_last": None if now.sr_last is None else round(now.sr_last, 3),
            "pump_torque_nm": None if pump_nm is None else round(pump_nm, 1),
            "most_engine_rpm": round(now.rpm),
            "top_speed_kmh": round(3.6 * now.speed_m_s, 1),
            "most_pedal_pct": None if now.pedal is None else round(now.pedal),
            "torque_source": now.source,
        }
        return Launch(
            round(now.start_s, 3),
            round(now.end_s, 3),
            now.samples,
            None if r_k is None else round(r_k, 4),
            None if r_k_sd is None else round(r_k_sd, 4),
            None if r_t is None else round(r_t, 4),
            None if r_t_sd is None else round(r_t_sd, 4),
            details,
        )
