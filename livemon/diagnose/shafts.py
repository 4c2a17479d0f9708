"""A gear that slips, where the vehicle tells turbine speed: it runs ahead of road speed times ratio.

Between turbine and wheels nothing slips but the gear, whatever converter and its clutch do. What tyre, gauge
and file are off by is the same in every gear and at every load; a wrong ratio in the file, at every load.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp, hypot, inf, log
from typing import Final

import numpy as np

from livemon.arrays import Array
from livemon.diagnose.gear_slip import GearWatch
from livemon.diagnose.mixture import mixture
from livemon.diagnose.row_logs import ALIKE, STRETCH_S, Ledger, log_mean, normal
from livemon.diagnose.windows import Window
from livemon.diagnose.worn_gears import WornGears

_SCALE_SD: Final = 0.02  # of reported road speed against turbine and ratio
_NOISE: Final = 0.005  # of the ratio of both speeds, from window to window
_WINDS_UP_RPM: Final = 3.0  # of the turbine, for each N m of torque's change: soft shafts wind up first
_WRONG_SD, _WRONG = 0.06, 0.02  # a ratio in the file is so far off, and so often. Common practice, no source.
_ODD, _ODD_SPAN = 0.02, 1.0  # windows that no row explains: wheels that spin, a shift nobody saw
_ODD_STRETCH: Final = 0.005
_SAME_GEAR: Final = 0.03  # nearer to the ratio of another gear, it is in that one
# An engine that drives leaves no turbine so far behind its gear, as a share of the step to the next: that one
# slips. So much of peak torque is none that idles in neutral.
_BEHIND, _DRIVES = 0.4, 0.1
_LEAST_S: Final = 0.2  # of a window
_OUTLASTS_S: Final = 0.6  # one so long says more than the beginning of a shift at its end
_SETTLED_S: Final = 0.5  # after a shift, until the turbine is where the gear has it
_LEAST_RPM: Final = 400.0  # slower, whatever the wheels do takes a large share
_SURE: Final = 0.9
_REGIMES: Final = ("launch", "pull", "locked", "coast")


class ShaftWatch:
    """Feed every window. Rows: sound, then a wrong ratio of each gear, then those of `WornGears`.

    seen: whether turbine speed was ever told. slips: what each gear did when it likely slipped.
    """

    def __init__(self, torque_nm: float, ratios: Sequence[float]) -> None:
        """torque_nm: peak, at the pump; ratios: of the gears in the vehicle file, first gear first."""
        self._torque_nm, self.slips = torque_nm, GearWatch(torque_nm)
        self._gears = gears = len(ratios)
        self._ln_ratio = [log(ratio) for ratio in ratios]
        self._worn = WornGears(gears)
        rows = 1 + gears + len(self._worn.sets)
        self._scale: Array = np.zeros(rows)
        self._var: Array = np.full(rows, _SCALE_SD**2)
        self._wrong: Array = np.zeros(gears)  # ln of what the file's ratio is to be multiplied by
        self._wrong_var: Array = np.full(gears, _WRONG_SD**2)
        self._ledger = Ledger(rows, _ODD_STRETCH)
        self._gear: int | None = None
        self._since_s = self._stretch_start_s = 0.0
        self._waiting: Window | None = None
        self.seen = False

    @property
    def log_evidence(self) -> float:
        """ln evidence that a gear slips, or two that share what is worn."""
        return self._worn.log_evidence(self.of_worn())

    @property
    def slipping(self) -> tuple[int, ...]:
        """The gears likeliest to slip, if any do: the one that slipped longest first."""
        return self._worn.likeliest(self.of_worn(), self.slips.seen)

    def of_worn(self) -> Array:
        """ln evidence against sound gears, of each gear that it alone slips, then of those that share."""
        now, gears = self._ledger.now, self._gears
        sound = float(now[0])
        if gears:
            sound += mixture(_WRONG, log_mean(now[1 : 1 + gears]) - sound)
        told: Array = now[1 + gears :] - sound
        return told

    def feed(self, w: Window) -> None:
        """Take one window, in time order: weighed once the next shows that no shift had begun in it."""
        before, self._waiting = self._waiting, None
        w = self._in_its_gear(w)
        if w.gear != self._gear or w.regime not in _REGIMES:
            if before is not None and before.end_s - before.start_s > _OUTLASTS_S:
                self._weigh(before)
            if w.regime == "stationary_in_gear":
                self._since_s = -inf  # no shift precedes a launch from rest
            elif w.gear != self._gear or w.regime != "shift":  # what ends in the gear it began in is none
                self._since_s = w.start_s if w.regime in _REGIMES else w.end_s
            self._gear = w.gear
            self._settle(w.start_s)
            return
        if before is not None:
            if before.start_s - self._stretch_start_s > STRETCH_S:
                self._settle(before.start_s)
            self._weigh(before)
        told = w.turbine_told and w.gear is not None and 1 <= w.gear <= self._gears
        settled = w.end_s - w.start_s > _LEAST_S and w.start_s - self._since_s > _SETTLED_S
        if told and settled and w.gear_probability > _SURE:
            self._waiting = w

    def _in_its_gear(self, w: Window) -> Window:
        """The window as one of the gear it is in: whoever goes by ratios takes a gear that slips for the
        one below, the more it slips."""
        gear, turbine, geared = w.gear, w.turbine_rpm, w.geared_rpm
        drives = w.pump_torque_nm is not None and w.pump_torque_nm > _DRIVES * self._torque_nm
        if not (w.turbine_told and drives and turbine and gear and geared):
            return w
        while gear < self._gears:
            step = self._ln_ratio[gear] - self._ln_ratio[gear - 1]
            if turbine > geared * exp(_BEHIND * step):
                break
            geared *= exp(step)
            gear += 1
        return w if gear == w.gear else replace(w, gear=gear, geared_rpm=geared)

    def _weigh(self, w: Window) -> None:
        gear, turbine, geared = w.gear, w.turbine_rpm, w.geared_rpm
        if gear is None or turbine is None or geared is None or min(geared, turbine) < _LEAST_RPM:
            return
        self.seen = True
        seen, here = log(turbine / geared), self._ln_ratio[gear - 1]
        if any(abs(seen - (x - here)) < _SAME_GEAR for x in self._ln_ratio if x != here):
            return
        unsure_rpm = hypot(w.geared_sd_rpm, _WINDS_UP_RPM * w.pump_torque_unsure_nm)
        noise = _NOISE**2 + (unsure_rpm / geared) ** 2
        wrong = gear
        variance = self._var + noise
        fits = normal(seen - self._scale, variance)
        own_off, own_var = seen - self._wrong[gear - 1], self._wrong_var[gear - 1]
        fits[wrong] = normal(np.array([own_off]), np.array([own_var + noise]))[0]
        total = (1.0 - _ODD) * fits + _ODD / _ODD_SPAN
        believed = (1.0 - _ODD) * fits / total
        torque_nm = 0.25 * self._torque_nm if w.pump_torque_nm is None else w.pump_torque_nm
        chance, lost_rpm = self.slips.chance(gear, torque_nm), turbine - geared
        odds, ahead, told = 1.0, 0.0, (0.0, 0.0)
        for row in (1 + self._gears + i for i in self._worn.of(gear)):
            sound_rpm, var_rpm2 = geared * float(self._scale[row]), float(variance[row]) * geared * geared
            density = self.slips.density(gear, lost_rpm, sound_rpm, turbine + sound_rpm, var_rpm2)
            density *= geared  # of ln(turbine / geared), as the others are
            told = max(told, (density, float(total[row])), key=sum)
            slips, holds = chance * density, (1.0 - chance) * float(total[row])
            total[row] = holds + slips
            believed[row] *= holds / (holds + slips)
            if slips > odds * holds:
                odds, ahead = slips / holds, (lost_rpm - sound_rpm) / geared
        self._ledger.add(ALIKE * np.log(total))
        self.slips.learn(gear, torque_nm, *told, ALIKE)
        if odds > 1.0:
            self.slips.slipped(gear, ahead / (1.0 + ahead), torque_nm, w.start_s, w.end_s)
        weight = ALIKE * believed
        own_gain = weight[wrong] * own_var / (own_var + noise)
        self._wrong[gear - 1] += own_gain * own_off
        self._wrong_var[gear - 1] *= 1.0 - own_gain
        weight[wrong] = 0.0  # this gear tells nothing of the rest
        gain = weight * self._var / variance
        self._scale += gain * (seen - self._scale)
        self._var *= 1.0 - gain

    def _settle(self, start_s: float) -> None:
        self._stretch_start_s = start_s
        self._ledger.settle()
