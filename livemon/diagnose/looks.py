"""What one window says: up to two scalar looks, zero for a sound vehicle of exactly the file's numbers.

    capacity  ln K seen - ln K model(SR)                         clutch open, engine driving
    force     (acceleration that torque, air and tyres should give - acceleration seen) / g   when moving

Each look comes with its regressors on the nuisances and the variance of what is left.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log
from typing import Final

import numpy as np

from livemon.arrays import Array
from livemon.converter.curves import Curves, at, log_slope
from livemon.diagnose.hypotheses import Hypothesis
from livemon.diagnose.nuisance import IDLE_RPM, SIZE, Prior, State
from livemon.diagnose.windows import Window
from livemon.quantities import AIR_DENSITY_KG_M3, RPM_TO_RAD_S, STANDARD_GRAVITY_M_S2
from livemon.vehicle import Vehicle, rotating_share, weighed

# One look in twenty is not what it seems (a reading late, a wheel slipping, a driver on two pedals).
_ODD_LOOK: Final = 0.05
_ODD_GEAR: Final = 0.3  # a gear above second that slips so much: a box shifts down first. Common practice
_AHEAD, _AHEAD_SDS = 1.03, 3.0  # a turbine told to be so far ahead of the wheels: its gear slips
_ODD_GEAR_SR: Final = 0.7
_MOST_ODD: Final = 0.5
_ROLLING_M_S: Final = 1.5
_ODD_CAPACITY_SD: Final = 0.5  # what ln K can be then
_ODD_FORCE_SD: Final = 0.15
# Past this speed ratio K climbs so steeply that slip tells more (slip_look.py).
FROM_SR: Final = 0.90
_OPEN_SHARE: Final = 0.5  # there, above second gear: how far the clutch is open is not known
_BRAKES_MAY_BE_ON: Final = 0.5  # pedal released and no brake signal
DRIVING_SHARE: Final = 0.10  # of peak torque; creep at idle is less, and an offset is most of it
# Against the brakes only a steady stall tells: on the way there torque and engine speed are of two moments.
_STALL_AFTER_S: Final = 0.8
_STALL_STEADY_RPM_S: Final = 200.0
_STALL_LEAST_RPM: Final = 1200.0  # below, it idles in gear: friction nobody told is most of the torque
_CAPACITY_FLOOR_SD: Final = 0.01
# Of peak torque: what gain and offset together still leave wrong of a torque that is reported, and of one
# worked out from air flow, load or fuel, whose share is worst at light load. Common practice, no source.
_TORQUE_MODEL_SHARE: Final = {"reported": 0.008}
_WORKED_OUT_SHARE: Final = 0.02
_IMPOSSIBLE: Final = 1.15  # of rated torque: worked out, it is wrong; reported, the rating may be
_TOO_STEEP: Final = 0.12  # ln K: near SR 1 the curve turns any error of speed into any K
_FORCE_FLOOR_SD: Final = 0.003
# What cylinders lose, and what a torque signal gets wrong, is a share of indicated torque; friction stays. It
# is, with pumping and auxiliaries, about 1.7 bar of mean effective pressure in 11, and counts half: in some
# engines what is lost goes with torque at the flywheel. Share of peak torque; common practice, no source.
FRICTION_SHARE: Final = 0.075
_NEARLY_NONE: Final = 1e-6  # x so small that ln(1 + x) is x
_FLUID_DRAG: Final = (-0.005, 0.012)  # of weight: what an idling engine passes with the clutch open
OVERRUN_SHARE_SD: Final = 0.4  # overrun torque is reported badly
_OVERRUN_SD_NM: Final = 8.0


@dataclass(slots=True)
class Look:
    """One scalar look of every row. `odd_sd` None: what is odd about it would be the brakes."""

    seen: Array
    h: Array
    variance: float
    odd: float
    odd_sd: float | None
    tractive: Array | None = None


class Looks:
    """Makes looks; owns the rows' physics and nothing else."""

    def __init__(self, vehicle: Vehicle, curves: Curves, prior: Prior, rows: tuple[Hypothesis, ...]) -> None:
        self._vehicle, self.curves, self._prior = vehicle, curves, prior
        self._most_nm = _IMPOSSIBLE * prior.torque_nm if vehicle.rated else inf
        self._weight_n = vehicle.mass_kg.value * STANDARD_GRAVITY_M_S2
        self._aero = 0.5 * AIR_DENSITY_KG_M3 * vehicle.drag_area_m2.value / self._weight_n
        self._lost_at_all = np.array([row.lost for row in rows])
        self._holds_nm = np.array([row.holds for row in rows]) * prior.torque_nm
        self._lost = np.where(self._holds_nm > 0.0, 0.0, self._lost_at_all)  # at present
        self._seized = np.array([row.seized for row in rows])
        self._held_k = np.array([row.held_k for row in rows])
        self.gain = np.exp([row.torque_ln for row in rows]) - 1.0
        self._drag = np.array([row.drag for row in rows])
        self._h_capacity: Array = np.zeros((len(rows), SIZE))
        self._h_force: Array = np.zeros((len(rows), SIZE))
        self._friction_nm = FRICTION_SHARE * prior.torque_nm
        self._flat: Array = np.ones(len(rows))
        self._ln_tr0 = log(max(curves.tr[0], 1.05))
        self._weighed = weighed(vehicle)  # else forces tell nothing of engine or road

    def make(self, w: Window, x: Array, released: bool) -> tuple[Look | None, Look | None]:
        """(capacity, force) of one window that has passed by, each None where it does not carry it.

        x: present means of the nuisances, a row each; `released`: the pedal is known to be up.
        """
        pump, ratio = w.pump_torque_nm, w.speed_ratio
        if w.torque_source != "reported" and (w.engine_torque_nm or 0.0) > self._most_nm:
            return None, None
        driving = pump is not None and pump > max(20.0, DRIVING_SHARE * self._prior.torque_nm)
        foot_off = released or (w.pedal_pct is None and not driving)
        open_clutch = w.regime in ("launch", "pull")
        capacity = force = None
        if open_clutch and ratio is not None and ratio > FROM_SR:
            return None, self.force_near_coupling(w, x, _OPEN_SHARE) if driving else None
        if driving and (open_clutch or _steady_stall(w)):
            capacity = self._capacity(w, x)
        if not self._tells_force(w):
            return capacity, None
        if open_clutch:
            if ratio is not None and pump is not None and w.turbine_rad_per_m is not None and not foot_off:
                tr = self._torque_ratio(min(max(ratio, 0.0), 1.0))
                force = self._force(w, x, foot_off, tr, min(ratio, 1.0))
        elif w.regime in ("coast", "neutral") or (
            w.regime == "locked" and pump is not None and w.turbine_rad_per_m is not None
        ):
            force = self._force(w, x, foot_off, None, 1.0)
        return capacity, force

    def force_near_coupling(self, w: Window, x: Array, open_share: Array | float) -> Look | None:
        """Force of a window past the coupling point; `open_share`: how far the clutch is open, by row."""
        if w.speed_ratio is None or w.turbine_rad_per_m is None or not self._tells_force(w):
            return None
        ratio = min(w.speed_ratio, 1.0)
        tr = 1.0 + open_share * (self._torque_ratio(ratio) - 1.0)
        return self._force(w, x, False, tr, ratio)

    def _tells_force(self, w: Window) -> bool:
        """Whether acceleration says something of torque: a vehicle of known mass that rolls, unbraked."""
        return self._weighed and (w.road_speed_m_s or 0.0) >= _ROLLING_M_S and w.brake is not True

    def pass_by(self, w: Window) -> None:
        """A reaction that holds so much and no more: once gone it is back only past coupling.

        Every window must pass, also one that slip_look.py judges: those are the ones past coupling.
        """
        ratio, pump_nm = w.speed_ratio, w.pump_torque_nm
        if ratio is None or pump_nm is None:
            return
        if ratio > self.curves.coupling_speed_ratio:
            gone = self._holds_nm <= 0.0
        else:
            reaction_nm = (at(self.curves.tr, ratio) - 1.0) * pump_nm
            gone = (self._lost > 0.0) | (reaction_nm > self._holds_nm)
        self._lost = np.where(gone, self._lost_at_all, 0.0)

    def _ln_k(self, ratio: float) -> Array:
        c = self.curves
        sound = log(at(c.k, ratio))
        lost = log(at(c.k_lost, ratio)) - sound
        held = log(at(c.k_seized, ratio)) - sound
        all_rows: Array = sound + self._lost * lost + self._held_k * held
        return all_rows

    def _torque_ratio(self, ratio: float) -> Array:
        c = self.curves
        tr = at(c.tr, ratio)
        all_rows: Array = tr - self._lost * (tr - 1.0) + self._seized * (at(c.tr_seized, ratio) - tr)
        return np.maximum(all_rows, 0.2)

    def _capacity(self, w: Window, x: Array) -> Look | None:
        pump, torque, ratio = w.pump_torque_nm, w.engine_torque_nm, w.speed_ratio
        if pump is None or torque is None or ratio is None:
            return None
        c, ratio = self.curves, min(max(ratio, 0.0), 1.0)
        slope = log_slope(c.k, ratio)
        if slope * w.speed_ratio_sd > _TOO_STEEP or ratio + w.speed_ratio_sd > 0.97:
            return None
        indicated = torque + self._friction_nm
        # K goes with the root of torque, and at light load the offset may be half of that: the line is drawn
        # through no offset and the one believed by now. One that turned with every step would take its own
        # turning for news.
        told = np.maximum(pump + self.gain * indicated, 0.2 * pump)
        idling = idle_share(w.engine_rpm)
        offset = x[:, State.OFFSET] + idling * x[:, State.IDLE]
        off = np.maximum(x[:, State.GAIN] * indicated + offset, 0.2 * pump - told)
        half = 0.5 * _chord(off / told) / told
        h = self._h_capacity
        h[:, State.GAIN] = half * indicated
        # Noise is the same for all rows: none may gain by claiming less of it.
        h[:, State.GAIN_WANDER] = 0.5 * indicated / pump
        h[:, State.OFFSET] = half
        h[:, State.IDLE] = half * idling
        h[:, State.INERTIA] = -half * RPM_TO_RAD_S * w.engine_accel_rpm_s
        h[:, State.K_SCALE] = h[:, State.K_WANDER] = 1.0
        h[:, State.K_TILT] = ratio
        h[:, State.K_KNEE] = k_knee(ratio)
        h[:, State.K_LOST] = self._lost * max(0.0, 1.0 - ratio / c.coupling_speed_ratio)
        h[:, State.TYRE] = 0.0 if w.turbine_told else slope * ratio
        model_share = _TORQUE_MODEL_SHARE.get(w.torque_source, _WORKED_OUT_SHARE)
        variance = (
            _CAPACITY_FLOOR_SD**2
            + (0.5 * w.pump_torque_sd_nm / pump) ** 2 / min(w.samples, 4)
            + (0.5 * w.pump_torque_unsure_nm / pump) ** 2
            + (slope * w.speed_ratio_sd) ** 2
            + (0.5 * model_share * self._prior.torque_nm / pump) ** 2
        )
        seen = log(w.engine_rpm) - 0.5 * np.log(told) - self._ln_k(ratio)
        return Look(seen, h, variance, _odd(w), _ODD_CAPACITY_SD)

    def _force(self, w: Window, x: Array, foot_off: bool, tr: Array | None, ratio: float) -> Look:
        """`tr`: torque ratio of every row with the clutch open, None where the converter passes no torque
        on."""
        assert w.road_speed_m_s is not None
        v, body, pump, per_m = w.road_speed_m_s, self._vehicle, w.pump_torque_nm, w.turbine_rad_per_m
        rows = len(self.gain)
        unsure_m_s2 = w.road_accel_sd_m_s2**2 + w.road_accel_unsure_m_s2**2
        variance = _FORCE_FLOOR_SD**2 + unsure_m_s2 / STANDARD_GRAVITY_M_S2**2
        h = self._h_force
        h[:] = 0.0
        if pump is None or per_m is None or w.engine_torque_nm is None or w.regime == "neutral":
            tractive: Array = np.full(rows, _FLUID_DRAG[0])
            variance += _FLUID_DRAG[1] ** 2
        elif w.regime == "coast" and tr is None:
            force = pump * per_m / (body.efficiency.value * self._weight_n)
            tractive = np.full(rows, force)
            variance += (OVERRUN_SHARE_SD * force) ** 2 + (_OVERRUN_SD_NM * per_m / self._weight_n) ** 2
        else:
            efficiency = body.efficiency.value if pump > 0.0 else 1.0 / body.efficiency.value
            through = (self._flat if tr is None else tr) * (per_m * efficiency / self._weight_n)
            indicated = max(w.engine_torque_nm + self._friction_nm, 0.0)
            tractive = (pump + self.gain * indicated) * through
            h[:, State.GAIN] = -through * indicated
            h[:, State.GAIN_WANDER] = -float(through[0]) * indicated
            h[:, State.OFFSET] = -through
            h[:, State.IDLE] = -through * idle_share(w.engine_rpm)
            h[:, State.INERTIA] = through * (RPM_TO_RAD_S * w.engine_accel_rpm_s)
            h[:, State.LINE] = -tractive if pump > 0.0 else tractive
            if tr is not None:
                h[:, State.TR] = -tractive * np.log(np.maximum(tr, 1.0)) / self._ln_tr0
                h[:, State.TR_KNEE] = -tractive * min(max((ratio - 0.7) / 0.15, 0.0), 1.0)
                h[:, State.TR_PAST] = -tractive * min(max((ratio - 0.85) / 0.07, 0.0), 1.0)
            sd_nm = w.pump_torque_sd_nm**2 / min(w.samples, 4) + w.pump_torque_unsure_nm**2
            variance += sd_nm * float(through[0]) ** 2
            if pump < 0.0:
                variance += (OVERRUN_SHARE_SD * float(tractive[0])) ** 2
        # Written as the acceleration the torque should give less the one seen: the noise of the one seen then
        # stays out of the regressors, where it would pull the mass down.
        lighter = np.exp(-x[:, State.MASS])
        air = self._aero * v * v * np.exp(x[:, State.AERO])
        wander = h[:, State.GAIN_WANDER].copy()
        h *= lighter[:, None]
        h[:, State.GAIN_WANDER] = wander
        left = lighter * (tractive - self._drag - air)
        pulls = left - (h * x).sum(1)  # with what is known of the torque by now
        h[:, State.MASS] = pulls
        h[:, State.ROLLING] = h[:, State.GRADE] = h[:, State.SLOPE] = 1.0
        h[:, State.AERO] = lighter * air
        h[:, State.LATE] = w.road_jerk_m_s3 / STANDARD_GRAVITY_M_S2
        if per_m is not None:
            h[:, State.GEARBOX] = (
                w.road_accel_m_s2 / STANDARD_GRAVITY_M_S2 * per_m * per_m / body.mass_kg.value
            )
        h[:, State.WIND] = lighter * (2.0 * self._aero * v)
        seen = left - body.rolling_resistance.value
        seen -= w.road_accel_m_s2 * (1.0 + rotating_share(body, per_m)) / STANDARD_GRAVITY_M_S2
        # What the linear step will take off for the two states the sum above already holds.
        seen += pulls * x[:, State.MASS] + h[:, State.AERO] * x[:, State.AERO]
        tractive = lighter * tractive
        little = pump is None or pump < 0.05 * self._prior.torque_nm
        if w.brake is None and (foot_off or little):
            return Look(seen, h, variance, _BRAKES_MAY_BE_ON, None, tractive)
        return Look(seen, h, variance, _odd(w), _ODD_FORCE_SD, tractive)


def _chord(more: Array) -> Array:
    """Slope of ln(1 + x) from 0 to `more`, each above -1."""
    none = np.abs(more) < _NEARLY_NONE
    line = np.where(none, 1.0, more)
    slope: Array = np.where(none, 1.0, np.log1p(line) / line)
    return slope


def _steady_stall(w: Window) -> bool:
    steady = w.into_stretch_s > _STALL_AFTER_S and abs(w.engine_accel_rpm_s) < _STALL_STEADY_RPM_S
    return w.regime == "stationary_in_gear" and steady and w.engine_rpm > _STALL_LEAST_RPM


def _odd(w: Window) -> float:
    """How likely this window is not what it seems; a gear in doubt adds to that, one seen to slip more."""
    if w.turbine_told and w.turbine_rpm is not None and w.geared_rpm is not None:
        slips = w.turbine_rpm > _AHEAD * w.geared_rpm + _AHEAD_SDS * w.geared_sd_rpm
        if slips:
            return _MOST_ODD
    gear_slips = w.gear is not None and w.gear > 2 and (w.speed_ratio or 1.0) < _ODD_GEAR_SR
    return min(_MOST_ODD, max(_ODD_LOOK, 1.0 - w.gear_probability) + (_ODD_GEAR if gear_slips else 0.0))


def idle_share(engine_rpm: float) -> float:
    """How much of the state IDLE acts at an engine speed."""
    return IDLE_RPM / max(engine_rpm, IDLE_RPM)


def k_knee(ratio: float) -> float:
    """How much of the state K_KNEE acts at a speed ratio."""
    return exp(-(((ratio - 0.9) / 0.12) ** 2))
