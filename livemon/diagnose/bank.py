"""The bank: one small Kalman filter per hypothesis, all with the same nuisances, stepped together in numpy.

Each window gives up to two scalar looks, both zero for a sound vehicle of exactly the file's numbers:
    capacity  ln K seen - ln K model(SR)                         clutch open, engine driving
    force     (tractive force from torque - what the road takes) / weight   any regime that moves
Marginal likelihood by innovations [bar-shalom-2001, sec. 5.4, 11.6]; a look is believed with a stated
probability and otherwise weighs nothing, and so is a whole stretch, so no single event decides.
"""

from __future__ import annotations

from math import exp, inf, log, pi
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.converter.curves import Curves, at
from livemon.diagnose.hypotheses import FINDINGS, GEAR_SLIPS, Hypothesis
from livemon.diagnose.nuisance import DRIFT, GAIN_SD, SIZE, Prior, State
from livemon.diagnose.windows import Window
from livemon.quantities import AIR_DENSITY_KG_M3, STANDARD_GRAVITY_M_S2
from livemon.vehicle import Vehicle

Array = NDArray[np.float64]

# One look in twenty is not what it seems (a reading late, a wheel slipping, a driver on two pedals).
_ODD_LOOK: Final = 0.05
_ODD_STRETCH: Final = 0.01  # and so is one stretch in a hundred: a push, a kerb, a tow
_ODD_CAPACITY_SD: Final = 0.5  # what ln K can be then
_ODD_FORCE_SD: Final = 0.15
# Past this speed ratio the clutch may be on its way in and carry part of the torque.
_CLUTCH_MAY_CARRY_SR: Final = 0.88
_CLUTCH_MAY_CARRY: Final = 0.3
_BRAKES_MAY_BE_ON: Final = 0.5  # pedal released and no brake signal
_CAPACITY_FLOOR_SD: Final = 0.02
_FORCE_FLOOR_SD: Final = 0.004
_DRIVING_SHARE: Final = 0.16  # of peak torque
_BRAKE_FORCE_SPAN: Final = 0.6  # of weight; any braking in it as likely as any other
_GEAR_SURE: Final = 0.7
_UNEVEN: Final = 0.6  # share of a torque change within a window that may be read too late or too early
_ROTATING_SHARE: Final = 0.035  # wheels and shafts, as a share of mass
_TURBINE_INERTIA_KG_M2: Final = 0.06  # turbine, half the fluid, gears: 0.056 in [advisor-tx-auto4]
_STRETCH_S: Final = 30.0
_WEAK_GAIN_SD: Final = 0.05  # the sizes of a weak engine stand this far apart; the rest is their spread


class Bank:
    """Feed windows; read `log_evidence`. One instance per drive; about 0.1 ms per window."""

    def __init__(self, vehicle: Vehicle, curves: Curves, prior: Prior, rows: tuple[Hypothesis, ...]) -> None:
        count = len(rows)
        self.rows = rows
        self._vehicle, self._curves, self._prior = vehicle, curves, prior
        self._weight_n = vehicle.mass_kg.value * STANDARD_GRAVITY_M_S2
        self._aero = 0.5 * AIR_DENSITY_KG_M3 * vehicle.drag_area_m2.value / self._weight_n
        self._lost = np.array([row.lost for row in rows])
        self._seized = np.array([row.seized for row in rows])
        self._gain = np.exp([row.torque_ln for row in rows]) - 1.0
        self._drag = np.array([row.drag for row in rows])
        self._of_gear = {row.gear: i for i, row in enumerate(rows) if row.gear}
        variance = np.square(prior.sd)
        self._x: Array = np.tile(prior.mean, (count, 1))
        self._x[:, State.MASS] += [row.mass_ln for row in rows]
        self._x[:, State.AERO] += [row.aero_ln for row in rows]
        self._p: Array = np.tile(np.diag(variance), (count, 1, 1))
        self._weak = self._gain < 0.0
        self._p[self._weak, State.GAIN, State.GAIN] = _WEAK_GAIN_SD**2
        self._h: Array = np.zeros((count, SIZE))
        self._drift = [
            (int(s), 1.0 / time_s, 1.0 / length_m, spread**2) for s, (time_s, length_m, spread) in DRIFT.items()
        ]
        self._x_before, self._p_before = self._x.copy(), self._p.copy()  # as the stretch began
        self._settled: Array = np.zeros(count)  # log evidence of finished stretches
        self._stretch: Array = np.zeros(count)  # of the one going on
        self._stretch_key: tuple[str, int | None] | None = None
        self._stretch_start_s = 0.0
        self._time_s: float | None = None
        self._torque_source = ""
        self._ln_tr0 = log(max(curves.tr[0], 1.05))
        self.capacity_looks = self.force_looks = 0

    # -- reading out ---------------------------------------------------------------------------------

    @property
    def log_evidence(self) -> Array:
        """Natural log of the marginal likelihood of all windows so far, one entry per row."""
        return self._settled + _soften(self._stretch)

    def log_finding(self) -> dict[str, float]:
        """ln evidence of each finding relative to none, its sizes averaged by their shares."""
        evidence = self.log_evidence
        top = float(evidence.max())
        sums = dict.fromkeys(FINDINGS, 0.0)
        for row, value in zip(self.rows, np.exp(evidence - top), strict=True):
            sums[row.finding] += row.share * float(value)
        base = log(max(sums["none"], 1e-300))
        return {
            name: log(max(value, 1e-300)) - base
            for name, value in sums.items()
            if any(row.finding == name for row in self.rows)
        }

    def best_row(self, finding: str) -> int:
        """Index of the likeliest row of one finding."""
        evidence = self.log_evidence
        return max(
            (i for i, row in enumerate(self.rows) if row.finding == finding), key=lambda i: evidence[i]
        )

    def state(self, row: int, state: State) -> tuple[float, float]:
        """(mean, standard deviation) of one nuisance under one row."""
        return float(self._x[row, state]), float(np.sqrt(max(self._p[row, state, state], 0.0)))

    # -- taking in -----------------------------------------------------------------------------------

    def feed(self, w: Window, released: bool = False) -> None:
        """Take one window, in time order; `released`: the pedal is known to be up. Windows that carry no look only let time pass."""
        pump = w.pump_torque_nm
        # Idle against the brake says little: the torque is small and so is what is known of it.
        driving = pump is not None and pump > max(25.0, _DRIVING_SHARE * self._prior.torque_nm)
        foot_off = released or (w.pedal_pct is None and not driving)
        clutch_open = w.regime in ("launch", "pull", "stationary_in_gear")
        capacity = clutch_open and driving and w.speed_ratio is not None and w.speed_ratio < 0.97
        speed = w.road_speed_m_s
        force = (
            w.regime in ("launch", "pull", "locked", "coast")
            and speed is not None
            and speed > 1.5
            and w.brake is not True
            and (w.regime == "coast" or (pump is not None and w.turbine_rad_per_m is not None))
            and (w.regime not in ("launch", "pull") or (w.speed_ratio is not None and not foot_off))
        )
        if not (capacity or force) or w.gear_probability < _GEAR_SURE:
            return
        if w.torque_source and w.torque_source != self._torque_source:
            self._new_torque_source(w.torque_source)
        self._pass_time(w)
        key = (w.regime, w.gear)
        if key != self._stretch_key or w.start_s - self._stretch_start_s > _STRETCH_S:
            self._close_stretch()
            self._stretch_key, self._stretch_start_s = key, w.start_s
        ratio = min(max(w.speed_ratio or 0.0, 0.0), 1.0)
        ln_k, tr = self._curves_for(ratio)
        if capacity:
            assert pump is not None
            self._look_capacity(w, pump, ratio, ln_k, tr)
        if force:
            self._look_force(w, pump, ratio, tr, foot_off)

    def _close_stretch(self) -> None:
        """Merge "it was what it seemed" and "it was odd": as far as a row takes it for odd, it learns nothing."""
        settled = _soften(self._stretch)
        self._settled += settled
        self._stretch[:] = 0.0
        odd = _ODD_STRETCH * np.exp(-settled)
        moved = self._x - self._x_before
        self._x -= odd[:, None] * moved
        self._p += odd[:, None, None] * (self._p_before - self._p)
        self._p += (odd * (1.0 - odd))[:, None, None] * (moved[:, :, None] * moved[:, None, :])
        self._x_before[:], self._p_before[:] = self._x, self._p

    def _new_torque_source(self, source: str) -> None:
        """The torque now comes from elsewhere: its gain is not known any better than that source allows."""
        spread = GAIN_SD.get(source, 0.13)
        if not self._torque_source or spread > GAIN_SD.get(self._torque_source, 0.13):
            extra = (
                spread**2
                - (GAIN_SD["reported"] if not self._torque_source else GAIN_SD[self._torque_source]) ** 2
            )
            self._p[~self._weak, State.GAIN, State.GAIN] += max(extra, 0.0)
            self._p_before[:] = self._p
        self._torque_source = source

    def _pass_time(self, w: Window) -> None:
        now_s = w.middle_s
        if self._time_s is not None:
            dt_s = max(now_s - self._time_s, 0.0)
            moved_m = dt_s * (w.road_speed_m_s or 0.0)
            for i, per_s, per_m, variance in self._drift:
                keep = exp(-dt_s * per_s - moved_m * per_m)
                self._x[:, i] *= keep
                self._p[:, i, :] *= keep
                self._p[:, :, i] *= keep
                self._p[:, i, i] += variance * (1.0 - keep * keep)
        self._time_s = now_s

    def _curves_for(self, ratio: float) -> tuple[Array, Array]:
        """ln K and torque ratio of every row at this apparent speed ratio."""
        ln_k, ln_lost, ln_seized, tr, tr_seized = self._lookup(ratio)
        all_ln_k = ln_k + self._lost * (ln_lost - ln_k) + self._seized * (ln_seized - ln_k)
        all_tr = tr - self._lost * (tr - 1.0) + self._seized * (tr_seized - tr)
        return all_ln_k, np.maximum(all_tr, 0.2)

    def _lookup(self, ratio: float) -> tuple[float, float, float, float, float]:
        c = self._curves
        return (
            log(at(c.k, ratio)),
            log(at(c.k_lost, ratio)),
            log(at(c.k_seized, ratio)),
            at(c.tr, ratio),
            at(c.tr_seized, ratio),
        )

    def _look_capacity(self, w: Window, pump: float, ratio: float, ln_k: Array, tr: Array) -> None:
        assert w.engine_torque_nm is not None
        made = np.maximum(pump + self._gain * w.engine_torque_nm, 0.3 * pump)
        c = self._curves
        slope = (log(at(c.k, min(ratio + 0.02, 0.98))) - log(at(c.k, max(ratio - 0.02, 0.0)))) / 0.04
        fade = max(0.0, 1.0 - ratio / c.coupling_speed_ratio)
        h = self._h
        h[:] = 0.0
        h[:, State.GAIN] = h[:, State.GAIN_WANDER] = 0.5 * w.engine_torque_nm / made
        h[:, State.OFFSET] = 0.5 / made
        h[:, State.K_SCALE] = h[:, State.K_WANDER] = 1.0
        h[:, State.K_TILT] = ratio
        h[:, State.K_KNEE] = exp(-(((ratio - 0.9) / 0.12) ** 2))
        h[:, State.K_LOST] = self._lost * fade
        h[:, State.TYRE] = slope * ratio
        seen = log(w.engine_rpm) - 0.5 * np.log(made) - ln_k
        variance = (
            _CAPACITY_FLOOR_SD**2
            + (0.5 * w.pump_torque_sd_nm / pump) ** 2 / min(w.samples, 4)
            + (_UNEVEN * 0.5 * w.pump_torque_spread_nm / pump) ** 2
            + (slope * w.speed_ratio_sd) ** 2
        )
        slipping = self._of_gear.get(w.gear or 0)
        if slipping is not None:
            seen[slipping] += self._slip_back(slipping, float(seen[slipping]), variance, ratio, tr)
        odd = _CLUTCH_MAY_CARRY if ratio > _CLUTCH_MAY_CARRY_SR else _ODD_LOOK
        self.capacity_looks += 1
        self._update(seen, variance, odd, _ODD_CAPACITY_SD)

    def _slip_back(self, row: int, seen: float, variance: float, ratio: float, tr: Array) -> float:
        """The row whose gear may slip takes the slip that fits best, and pays for the freedom.

        The turbine then runs faster than the wheels say. Returns what that changes in ln K; sets the torque ratio.
        """
        off = seen - float(self._h[row] @ self._x[row])
        ln_k = log(at(self._curves.k, ratio))
        spread = variance + 0.05**2
        best = (-inf, 0.0, ratio)
        for share, often in GEAR_SLIPS:
            turbine = min(ratio / (1.0 - share), 0.985)
            shift = ln_k - log(at(self._curves.k, turbine))
            score = log(often) - 0.5 * (off + shift) ** 2 / spread
            if score > best[0]:
                best = (score, shift, turbine)
                cost = log(often)
        self._stretch[row] += cost
        tr[row] = max(at(self._curves.tr, best[2]), 0.2)
        return best[1]

    def _look_force(
        self, w: Window, pump: float | None, ratio: float, tr: Array, foot_off: bool
    ) -> None:
        assert w.road_speed_m_s is not None
        v, body = w.road_speed_m_s, self._vehicle
        per_m = w.turbine_rad_per_m
        efficiency = body.efficiency.value
        variance = _FORCE_FLOOR_SD**2 + (w.road_accel_sd_m_s2 / STANDARD_GRAVITY_M_S2) ** 2
        h = self._h
        h[:] = 0.0
        if pump is None or per_m is None or w.engine_torque_nm is None:
            # Clutch open, engine idling: a dragging fluid passes about 1 % of weight either way.
            tractive: Array = np.full(len(self.rows), -0.005)
            variance += 0.012**2
        elif w.regime == "coast":
            tractive = np.full(len(self.rows), pump * per_m / (efficiency * self._weight_n))
            variance += (0.4 * float(tractive[0])) ** 2 + (8.0 * per_m / self._weight_n) ** 2
        else:
            made = pump + self._gain * max(w.engine_torque_nm, 0.0)
            to_weight = per_m * (efficiency if pump > 0.0 else 1.0 / efficiency) / self._weight_n
            through = tr if w.regime in ("launch", "pull") else np.ones(len(self.rows))
            tractive = made * through * to_weight
            per_nm = through * to_weight
            h[:, State.GAIN] = h[:, State.GAIN_WANDER] = -per_nm * w.engine_torque_nm
            h[:, State.OFFSET] = -per_nm
            h[:, State.LINE] = -tractive
            if w.regime in ("launch", "pull"):
                h[:, State.TR] = -tractive * np.log(np.maximum(tr, 1.0)) / self._ln_tr0
                h[:, State.TR_KNEE] = -tractive * min(max((ratio - 0.7) / 0.15, 0.0), 1.0)
            variance += (w.pump_torque_sd_nm * float(per_nm[0])) ** 2 / min(w.samples, 4)
            variance += (_UNEVEN * w.pump_torque_spread_nm * float(per_nm[0])) ** 2
            if pump < 0.0:
                variance += (0.3 * float(tractive[0])) ** 2
        rotating = _ROTATING_SHARE + (
            _TURBINE_INERTIA_KG_M2 * per_m * per_m / body.mass_kg.value if per_m is not None else 0.0
        )
        takes = w.road_accel_m_s2 * (1.0 + rotating) / STANDARD_GRAVITY_M_S2 + body.rolling_resistance.value
        air = self._aero * v * v
        grade = self._x[:, State.GRADE] + self._x[:, State.SLOPE]
        mass = self._x[:, State.MASS]
        heavier, blunter = np.exp(mass), air * np.exp(self._x[:, State.AERO])
        h[:, State.MASS] = heavier * (takes + grade)
        h[:, State.ROLLING] = h[:, State.GRADE] = h[:, State.SLOPE] = heavier
        h[:, State.AERO] = blunter
        h[:, State.WIND] = 2.0 * self._aero * v
        # The sum at the present means, plus what the linear step will take off again.
        seen = tractive - self._drag - heavier * (takes + grade) - blunter
        seen += h[:, State.MASS] * mass + heavier * grade + blunter * self._x[:, State.AERO]
        little = pump is None or pump < 0.05 * self._prior.torque_nm
        self.force_looks += 1
        if w.brake is None and (foot_off or little):
            self._update(seen, variance, _BRAKES_MAY_BE_ON, None)
        else:
            self._update(seen, variance, _ODD_LOOK, _ODD_FORCE_SD)

    def _update(self, seen: Array, variance: float, odd: float, odd_sd: float | None) -> None:
        """One scalar look for every row: likelihood, then a step as large as the look is believed.

        `odd_sd` None: what is odd about it would be the brakes, which only ever hold back.
        """
        h, x, p = self._h, self._x, self._p
        ph = np.matmul(p, h[:, :, None])[:, :, 0]
        s = np.einsum("ij,ij->i", ph, h) + variance
        e = seen - np.einsum("ij,ij->i", x, h)
        good = (1.0 - odd) * np.exp(-0.5 * e * e / s) / np.sqrt(2.0 * pi * s)
        if odd_sd is None:
            bad = np.full(len(e), odd / _BRAKE_FORCE_SPAN)
        else:
            wide = s + odd_sd**2
            bad = odd * np.exp(-0.5 * e * e / wide) / np.sqrt(2.0 * pi * wide)
        total = good + bad + 1e-12
        self._stretch += np.log(total)
        step = ph * (good / total / s)[:, None]
        x += step * e[:, None]
        p -= step[:, :, None] * ph[:, None, :]


def _soften(stretch: Array) -> Array:
    """Evidence of one stretch, as it stands when the stretch may have been odd as a whole."""
    relative = stretch - stretch.max()
    softened: Array = np.log((1.0 - _ODD_STRETCH) * np.exp(relative) + _ODD_STRETCH)
    return softened
