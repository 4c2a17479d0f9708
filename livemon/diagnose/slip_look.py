"""Past the coupling point: the speed ratio seen, less the one at which the torque seen would flow.

There K climbs steeply, so ln K seen says little and the speed ratio itself a lot: a working converter must
slip by a few hundredths to pass torque at all, a held stator passes it at equal speeds and beyond. But above
first gear the converter clutch may be on, or on its way: that is weighed against an open one each time.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign, exp, hypot, log, sqrt, tanh
from typing import Final

import numpy as np

from livemon.arrays import Array
from livemon.converter.curves import Curves, at
from livemon.diagnose.hypotheses import Hypothesis
from livemon.diagnose.looks import DRIVING_SHARE, FRICTION_SHARE, FROM_SR, Look, k_knee
from livemon.diagnose.nuisance import SIZE, Prior, State
from livemon.diagnose.past_coupling import PastCouplingSums
from livemon.diagnose.windows import Window
from livemon.quantities import RPM_TO_RAD_S

_NEAR_SPAN: Final = 0.07  # of speed ratio, from there to where curves differ by State.K_NEAR
_MOST_SR_SD: Final = 0.05
_FLOOR_SD: Final = 0.006  # of speed ratio
_SAID_LOCKED_SD: Final = 0.015  # the same where the estimate let turbine speed lean on engine speed
_K_SD: Final = 0.04  # ln K near coupling, from window to window
_LEAST_APART: Final = 0.05  # ln K
_FLATTEST: Final = 0.6  # d SR / d ln K at most
_ODD: Final = 0.05
_ODD_SPAN: Final = 0.3  # of speed ratio
# How likely the clutch is on, by gear, before a window has shown what this vehicle does. Common practice, no
# source: boxes lock from second or third gear, few in first. From third on slip says more of the clutch than
# of the stator, and lockup.py looks at it.
_ON: Final = {1: 0.01, 2: 0.3}
_HABIT: Final = 1.0  # windows that the habit before the drive counts for
_TARGET_RPM: Final = (20.0, 20.0)  # slip with the clutch on
_ON_SD: Final = 0.012  # and what the scale of turbine speed leaves wrong, the same for every row
_PARTLY: Final = 0.25  # of clutches on: coming on or worn, anywhere between open and locked
_PARTLY_SPAN: Final = 0.1
_SURE_ON: Final = 0.8
_SCALE_EVERY_S: Final = 15.0  # nearer together they share their error
_ODD_SCALE, _ODD_SCALE_SD = 0.2, 0.06  # it slips, or is not on after all
_BEYOND: Final = 1.15  # as fast as a held stator lets the turbine run ahead
_STEEP: Final = 8.0  # ln K over speed ratio beyond equal speeds: plausible wheels cease to drive one by one
_GRID: Final = 211


@dataclass(slots=True)
class SlipLook:
    """One look at speed ratio, row by row. `on`: its density with the clutch on; `odd`: if it is neither."""

    gear: int
    off: Array
    h: Array
    variance: float
    on: float
    share_on: Array
    odd: float = _ODD / _ODD_SPAN


class SlipLooks:
    """Makes them, and remembers what the clutch did in each gear as every row sees it."""

    def __init__(self, curves: Curves, prior: Prior, rows: tuple[Hypothesis, ...]) -> None:
        self._torque_nm, self._friction_nm = prior.torque_nm, FRICTION_SHARE * prior.torque_nm
        self._gain = np.exp([row.torque_ln for row in rows]) - 1.0
        self._ratio: Array = np.linspace(0.5, _BEYOND, _GRID)
        of_size = {size: self._table(curves, size) for size in sorted({row.held_k for row in rows})}
        self._of_size = [
            (table, [i for i, r in enumerate(rows) if r.held_k == size]) for size, table in of_size.items()
        ]
        self._sound, self._held = of_size[0.0], of_size[1.0]
        self._habit: dict[int, tuple[Array, float]] = {}
        self._count = len(rows)
        self.past = PastCouplingSums()
        self._scaled_s, self._scaled = -_SCALE_EVERY_S, 0

    def _table(self, curves: Curves, held_k: float) -> Array:
        ln_k = np.empty(_GRID)
        for i, ratio in enumerate(self._ratio.tolist()):
            sound, held = log(at(curves.k, ratio)), log(at(curves.k_seized, ratio))
            ln_k[i] = sound + held_k * (held - sound) + _STEEP * max(0.0, ratio - 1.0)
        return np.maximum.accumulate(ln_k)

    def takes(self, w: Window, released: bool) -> bool:
        """Whether the window is past the coupling point and drives."""
        pump, ratio = w.pump_torque_nm, w.speed_ratio
        if pump is None or w.engine_torque_nm is None or ratio is None or released or ratio < FROM_SR:
            return False
        if pump < DRIVING_SHARE * self._torque_nm or w.speed_ratio_sd > _MOST_SR_SD:
            return False
        if w.gears_found:  # their ratios are not known that well
            return False
        if w.gear == 1 and w.regime == "locked":  # few boxes close it so early, and a held stator looks alike
            return False
        return w.gear in _ON and w.regime in ("launch", "pull", "coast", "locked")

    def look(self, w: Window, x: Array) -> SlipLook:
        """Of a window it `takes`. x: means of the nuisances as they are when the look is used."""
        pump, torque, ratio, gear = w.pump_torque_nm, w.engine_torque_nm, w.speed_ratio, w.gear
        assert pump is not None and torque is not None and ratio is not None and gear is not None
        indicated = torque + self._friction_nm
        made = pump + self._gain * indicated
        true = made + x[:, State.GAIN] * indicated + x[:, State.GAIN_WANDER] * indicated + x[:, State.OFFSET]
        true -= x[:, State.INERTIA] * RPM_TO_RAD_S * w.engine_accel_rpm_s
        true = np.maximum(true, 0.3 * pump)
        knee = k_knee(ratio)
        near = min(max((ratio - FROM_SR) / _NEAR_SPAN, 0.0), 1.2)
        level = x[:, State.K_SCALE] + x[:, State.K_WANDER] + ratio * x[:, State.K_TILT]
        level += knee * x[:, State.K_KNEE] + near * x[:, State.K_NEAR]
        want = log(w.engine_rpm) - 0.5 * np.log(true) - level
        expected, flow = np.empty(self._count), np.empty(self._count)
        for table, of in self._of_size:
            expected[of] = np.interp(want[of], table, self._ratio)
            # One slope for all rows that share a curve, from what was seen to what the first expects: none
            # may gain by claiming to know less.
            ln_k_seen = float(np.interp(ratio, self._ratio, table))
            apart = copysign(max(abs(float(want[of[0]]) - ln_k_seen), _LEAST_APART), want[of[0]] - ln_k_seen)
            there = float(np.interp(ln_k_seen + apart, table, self._ratio))
            flow[of] = min((there - ratio) / apart, _FLATTEST)
        if w.regime != "locked":  # what turbine speed leans on there, or the clutch, makes it so fast
            ln_k = log(w.engine_rpm) - 0.5 * log(pump)
            sound, held = (float(np.interp(ln_k, t, self._ratio)) for t in (self._sound, self._held))
            self.past.add(w, sound, held, float(flow[0]))
        h: Array = np.zeros((self._count, SIZE))
        by_torque = -0.5 * flow / pump
        h[:, State.GAIN] = h[:, State.GAIN_WANDER] = by_torque * indicated
        h[:, State.OFFSET] = by_torque
        h[:, State.INERTIA] = -by_torque * RPM_TO_RAD_S * w.engine_accel_rpm_s
        h[:, State.K_SCALE] = h[:, State.K_WANDER] = -flow
        h[:, State.K_TILT], h[:, State.K_KNEE] = -flow * ratio, -flow * knee
        h[:, State.K_NEAR] = -flow * near
        h[:, State.TYRE] = 0.0 if w.turbine_told else -ratio
        unsure_nm = sqrt(w.pump_torque_sd_nm**2 / min(w.samples, 4) + w.pump_torque_unsure_nm**2)
        leans = w.regime == "locked" and not w.turbine_told
        seen_sd = hypot(w.speed_ratio_sd, _SAID_LOCKED_SD if leans else _FLOOR_SD)
        variance = seen_sd**2 + float(flow[0]) ** 2 * (_K_SD**2 + (0.5 * unsure_nm / pump) ** 2)
        off = ratio - expected - h[:, State.TYRE] * x[:, State.TYRE]
        on_sd = sqrt(seen_sd**2 + _ON_SD**2 + (_TARGET_RPM[1] / w.engine_rpm) ** 2)
        z = (ratio - (1.0 - _TARGET_RPM[0] / w.engine_rpm)) / on_sd
        on = (1.0 - _PARTLY) * exp(-0.5 * z * z) / (2.507 * on_sd)
        on += _PARTLY / _PARTLY_SPAN * 0.5 * (1.0 - tanh(0.8 * z))
        return SlipLook(gear, off, h, variance, on, self._share_on(gear))

    def scale(self, w: Window) -> Look | None:
        """With the clutch surely on, slip is small and known, and so the scale of what the road tells."""
        ratio, pump = w.speed_ratio, w.pump_torque_nm
        if w.regime != "locked" or (w.gear or 0) < 3 or ratio is None or w.locked_probability < _SURE_ON:
            return None
        if w.turbine_told or pump is None or pump < DRIVING_SHARE * self._torque_nm:
            return None
        if w.start_s < self._scaled_s + _SCALE_EVERY_S:
            return None
        self._scaled_s = w.start_s
        self._scaled += 1
        h: Array = np.zeros((self._count, SIZE))
        h[:, State.TYRE] = -ratio
        variance = w.speed_ratio_sd**2 + _FLOOR_SD**2 + (_TARGET_RPM[1] / w.engine_rpm) ** 2
        variance *= self._scaled  # what the control holds it at is the same each time
        seen: Array = np.full(self._count, ratio - 1.0 + _TARGET_RPM[0] / w.engine_rpm)
        return Look(seen, h, variance, _ODD_SCALE, _ODD_SCALE_SD)

    def _share_on(self, gear: int) -> Array:
        seen, n = self._habit.get(gear, (np.zeros(self._count), 0.0))
        share: Array = (_ON[gear] * _HABIT + seen) / (_HABIT + n)
        return share

    def learn(self, gear: int, on: Array) -> None:
        """`on`: how likely every row takes the clutch to have been on in this window."""
        seen, n = self._habit.get(gear, (np.zeros(self._count), 0.0))
        self._habit[gear] = (seen + on, n + 1.0)
