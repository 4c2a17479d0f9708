"""The converter clutch and the gears: does slip show where nothing should slip?

Every window's slip is compared with what each cause predicts (slip_rows.py): the clutch holds, is worn, never
comes on, or holds while one gear slips. Whether the clutch is on at a moment is not known, and schedules
differ: it is a state with odds of coming on and letting go, by what the moment calls for. Published monitor
limits put slip at 80-170 rpm with the clutch on [tcc-monitor]; nothing here depends on a single limit.
"""

from __future__ import annotations

from math import exp, hypot
from typing import Final

import numpy as np

from livemon.arrays import Array
from livemon.converter.curves import Curves, ln_over
from livemon.diagnose.clutch_bit import OPEN_SAID, ClutchBit
from livemon.diagnose.found_gears import FoundGears
from livemon.diagnose.gear_rows import TELLS, GearRows
from livemon.diagnose.gear_slip import Slipped
from livemon.diagnose.lockup_schedule import OPEN_AFTER_SHIFT, OPEN_IN_FIRST, calls_for
from livemon.diagnose.lockup_sums import Sums
from livemon.diagnose.mixture import mixture
from livemon.diagnose.row_logs import ALIKE, STRETCH_S, Ledger, limited, log_mean, normal
from livemon.diagnose.shafts import ShaftWatch
from livemon.diagnose.slip_rows import FOUND_SCALE_SD, ON, OPEN, SCALE_SD, TIGHT, SlipRows, Torque
from livemon.diagnose.slip_seen import SlipSeen, noise_rpm, same, slip_of, torque_of, worth
from livemon.diagnose.windows import Window
from livemon.diagnose.worn_gears import WornGears
from livemon.vehicle import Vehicle, turbine_rad_per_m

_SCALE_SD: Final = 0.003  # of turbine speed: what tyre and calibration leave wrong at least
_LIGHT_SR: Final = (0.9, 1.02)  # speed ratios between which light load is told from overrun and creep
_AT_REST_RPM: Final = 15.0  # sd of slip with the clutch on and no torque to hold
_LEAST_SR: Final = 0.15  # below it everything is stall
_LEAST_SHARE: Final = 0.12  # of peak torque: below it the engine may not drive at all
MOST_GEARS: Final = 8  # where the vehicle file does not say
# What the estimate made of it: how often it says locked with the clutch on, and with it open. It goes by slip
# for the most part, which is weighed already: no more than what it adds to that (set on two simulators).
_SAID_LOCKED: Final = (0.6, 0.3)
_LOOKS_ON: Final = 0.04  # share of windows in which even a clutch that never comes on does not look open
_ODD: Final = 0.04
_ODD_SPAN_RPM: Final = 800.0
# A converter that slips by one gear's step looks like a clutch that holds in the gear below, and the gear
# chain takes for granted that clutches come on. How often, and where it had been in the gear above before.
# Common practice, no source.
_MISREAD, _STILL = 0.1, 0.5
_FAR_OFF: Final = 0.6  # ln K: no converter is so far off its curve
_ABOVE_RPM: Final = 40.0  # target; below that nobody calls it slipping
# Of sound vehicles have a converter quite unlike its curve. Common practice, no source.
_STRANGE: Final = 0.1
# Sound vehicles whose clutch goes its own way a whole drive: cold fluid, tow mode, a schedule of their own.
_OWN_WAY: Final = 0.012
_AGAINST_ITS_WORD: Final = 0.003  # slipping where their control says that it is applied


class LockupWatch:
    """Feed every window. Log evidences are relative to a sound clutch and sound gears."""

    def __init__(self, vehicle: Vehicle, curves: Curves, torque_nm: float, gears: int) -> None:
        self._vehicle, self._curves, self._torque_nm = vehicle, curves, torque_nm
        worn = WornGears(gears)
        scale_sd = SCALE_SD if turbine_rad_per_m(vehicle) else FOUND_SCALE_SD
        target_rpm = vehicle.lockup_slip_target_rpm
        self._rows = rows = SlipRows(curves, torque_nm, target_rpm, len(worn.sets), scale_sd)
        self._found = FoundGears()
        self._gears = GearRows(rows, torque_nm, worn)
        self.shafts = ShaftWatch(torque_nm, vehicle.gear_ratios)
        self.bit = ClutchBit()
        self._says: bool | None = None
        self._before: Window | None = None  # the one weighed last
        self._waiting: Window | None = None
        self.target_rpm = rows.target_rpm
        self._much_rpm = self.target_rpm + _ABOVE_RPM
        self.sums = Sums(torque_nm)
        self.totals, self.by_gear = self.sums.totals, self.sums.by_gear
        self._gear: int | None = None
        self._left: int | None = None  # the gear before
        self._since_s: float | None = None
        self._all = np.arange(rows.count)
        self._open: Array = np.ones(rows.count)  # chance that the clutch is open, by row
        self._ledger = Ledger(rows.count)
        # What windows say in which a worn clutch cannot hold the load.
        self._own_worn: Array = np.zeros(rows.never - rows.sound - 1)
        self._stretch_start_s = 0.0
        self._weighed: Window | None = None
        self._signal = False  # torque has been told in this drive
        self._joined = 0
        self._looked_open = False
        self._likeliest = rows.sound, rows.never  # rows of these causes
        self._judged: tuple[float, float, float] | None = None

    # -- reading out ---------------------------------------------------------------------------------

    def log_evidence(self) -> tuple[float, float, float]:
        """ln evidence, against sound, that the clutch (slips, never comes on), and that a gear slips."""
        if self._judged is None:
            rows, now = self._rows, self._now()
            sound = self._sound(now)
            slips = log_mean(limited(now[rows.worn] - sound, self._own_worn))
            never = float(now[rows.never]) - sound
            shafts = self.shafts  # they tell more closely than slip
            if shafts.seen:
                gear = shafts.log_evidence
            else:  # what slipped all along is part of a ratio that was found
                gear = 0.0 if self._found.any else self._gears.log_evidence(now, sound)
            strange = _AGAINST_ITS_WORD if self.bit.believed else _OWN_WAY
            own_way = mixture(strange, max(slips, never, 0.0))
            self._judged = slips - own_way, never - own_way, gear - own_way
        return self._judged

    @property
    def slipping_gears(self) -> tuple[int, ...]:
        """The gears likeliest to slip, if any do, the one that slipped longest first."""
        if self.shafts.seen:
            return self.shafts.slipping
        now = self._now()
        return self._gears.slipping(now, self._sound(now))

    @property
    def slipped(self) -> Slipped | None:
        """What the gear likeliest to slip did, if it was ever likely to."""
        slips = self.shafts.slips if self.shafts.seen else self._gears.slips
        return slips.seen.get(next(iter(self.slipping_gears), 0))

    def _now(self) -> Array:
        """ln likelihood of every cause."""
        return self._rows.of_causes(self._ledger.now)

    def _sound(self, now: Array) -> float:
        """ln likelihood of a sound clutch, its converter like its curve or not; now: of every cause."""
        usual, strange = float(now[self._rows.sound]), float(now[self._rows.strange])
        return usual + mixture(_STRANGE, strange - usual)

    # -- taking in -----------------------------------------------------------------------------------

    def feed(self, w: Window) -> None:
        """Take one window, in time order.

        While a clutch comes on it carries some of the torque: what its control calls released waits for the
        next window, as the ramp may begin before it says so, and says nothing if that is applied.
        """
        bit, waiting = self.bit, self._waiting
        bit.feed(w)
        self.shafts.feed(w)
        self._waiting = w if bit.says is False else None
        if waiting is not None and not bit.says:
            self._take(waiting, False)
        if self._waiting is None and not bit.coming:
            self._take(w, bit.says)

    def _take(self, w: Window, says: bool | None) -> None:
        """says: whether the clutch is applied, by its control, if that is believed."""
        self._says = says
        seen = slip_of(w)
        if w.regime not in ("launch", "pull", "locked") or seen is None:
            if w.regime != "coast":
                self._since_s = None
                self._settle()
            self.sums.slipping_since_s = None
            return
        if w.gear != self._gear or self._since_s is None:
            self._left, self._gear, self._since_s = self._gear, w.gear, w.start_s
            self._settle()
            self._stretch_start_s = w.start_s
            self._open[:] = OPEN_AFTER_SHIFT
        if w.found_rpm is not None and not seen.by_shaft:
            gear, seen = self._found.seen(w, seen)
            self._rows.in_gear(gear)
        if seen.turbine_rpm < _LEAST_SR * w.engine_rpm or w.gear_probability < 0.7:
            self.sums.slipping_since_s = None
            return
        torque = torque_of(w, self._vehicle, self._curves, self._torque_nm)
        self._signal = self._signal or w.pump_torque_nm is not None
        if self._signal and torque is not None:  # between its readings: off by what the signal is off by
            torque = torque._replace(told=True)
        light = torque is None or torque.value_nm < _LEAST_SHARE * self._torque_nm
        if torque is None or (light and not self._drives(w, torque.value_nm)):
            if w.regime == "locked" and w.pump_torque_nm is not None and not seen.by_shaft:
                self._rows.at_rest(seen.turbine_rpm, seen.rpm, hypot(_AT_REST_RPM, 0.5 * seen.sd_rpm))
            self.sums.slipping_since_s = None
            return
        if w.start_s - self._stretch_start_s > STRETCH_S:
            self._settle()
            self._stretch_start_s = w.start_s
        before = self._weighed
        if before is not None and same(w, before) and seen.rpm < self._much_rpm:
            # Nothing new: it joins the next weighing with its own weight.
            self._joined += 1
            self._weighed = None
            self.sums.count(w, torque.value_nm, 0.0, self._looked_open, self._since_s, self._applied(w))
            return
        self._weigh(w, torque, seen)
        self._weighed = w

    def _drives(self, w: Window, torque_nm: float) -> bool:
        """Whether the engine still drives, after what this drive has taught of the torque signal's offset."""
        rows = self._rows
        if w.low or w.speed_ratio is None or not _LIGHT_SR[0] < w.speed_ratio < _LIGHT_SR[1]:
            return False
        least = 0.25 * _LEAST_SHARE * self._torque_nm
        return all(torque_nm + rows.offset_nm(row) > least for row in self._likeliest)

    def _weigh(self, w: Window, torque: Torque, seen: SlipSeen) -> None:
        rows, slip, by_shaft = self._rows, seen.rpm, seen.by_shaft
        if w.by_ratio_rpm is None and not by_shaft:
            rows.know_scale(_SCALE_SD + w.slip_sd_rpm / seen.turbine_rpm)
        since_s = self._since_s if self._since_s is not None else w.start_s
        noise = noise_rpm(seen, torque.value_nm, w, self._before, since_s, self._torque_nm)
        weight = ALIKE * (self._joined + worth(w))
        seconds = (w.end_s - w.start_s) * (1 + self._joined)
        self._before, self._joined = w, 0
        p = rows.predict(w.engine_rpm, seen.turbine_rpm, torque, noise, by_shaft)
        if w.low and p.variance[OPEN, rows.sound] > (TELLS * w.engine_rpm) ** 2:
            return
        off = slip - p.slip
        fits_on, fits_open, fits_tight = normal(off, p.total)
        fits_held = np.maximum(fits_on, fits_tight)  # a habit of the gear: to be paid for once at most
        self._schedule(w, torque.value_nm, seconds)
        locked = w.regime == "locked"
        says_on, said_open = _SAID_LOCKED if locked else (1.0 - _SAID_LOCKED[0], 1.0 - _SAID_LOCKED[1])
        if by_shaft:  # it goes by nothing but slip
            says_on = said_open = 0.5
        said_on = np.where(p.slip[ON] < self._much_rpm, says_on, said_open)  # it goes by slip
        good_on = (1.0 - self._open) * said_on * fits_held
        good_open = self._open * said_open * fits_open
        good = good_on + good_open
        far = np.abs(off[:TIGHT]).min(0) / _ODD_SPAN_RPM
        sure, elsewhere = self._misread(w, torque, seen, noise)
        total = (1.0 - _ODD) * (sure * good + elsewhere)
        total += _ODD * 0.5 / _ODD_SPAN_RPM / np.maximum(far * far, 1.0)
        believed = (1.0 - _ODD) * sure * good / total
        if not by_shaft:
            self._gears.weigh(w, torque.value_nm, slip, p, self._open, total, believed, weight, sure)
        before = rows.of_causes(self._ledger.as_seen)
        self._ledger.add(weight * np.log(total))
        now = self._ledger.as_seen
        told = rows.of_causes(now) - before
        self._likeliest = holding, never_on = (
            rows.likeliest(now, rows.sound),
            rows.likeliest(now, rows.never),
        )
        worn_rows = slice(holding + rows.worn.start, holding + rows.worn.stop)
        bites = np.abs(p.slip[ON, worn_rows] - p.slip[ON, holding]) > np.sqrt(p.variance[ON, holding])
        self._own_worn += np.where(bites, told[rows.worn] - told[rows.sound], 0.0)
        self._gears.note(w.gear, told)
        self._judged = None
        is_on = good_on > good_open
        self._open += believed * (good_open / good - self._open)
        likelier, row = np.where(is_on, np.where(fits_tight > fits_on, TIGHT, ON), OPEN), self._all
        rows.step(
            off[likelier, row],
            p.ph[likelier, row],
            p.total[likelier, row],
            weight * believed * np.maximum(good_on, good_open) / good,
        )
        flat = 0.2 / _ODD_SPAN_RPM
        sound, never = float(fits_held[holding]) + flat, float(fits_open[never_on]) + flat
        worn = float(fits_held[worn_rows].max()) + flat
        slips = worn / (sound + worn) if slip > self._much_rpm and not w.low else 0.0
        # A clutch that holds next to nothing and one that is open look alike: counted as open.
        self._looked_open = (by_shaft or not locked) and (w.low or never > max(sound, 0.6 * worn))
        self.sums.count(w, torque.value_nm, slips, self._looked_open, self._since_s, self._applied(w))

    def _misread(
        self, w: Window, torque: Torque, seen: SlipSeen, noise: float
    ) -> tuple[float, Array | float]:
        """(chance that the gear is the one, density of slip by row if it is not): a clutch seen to hold may
        be an open one in the gear above."""
        ratios, gear = self._vehicle.gear_ratios, w.gear
        if w.geared_rpm is None or seen.by_shaft or seen.rpm > self._much_rpm:
            return 1.0, 0.0
        if gear is None or not 1 <= gear < len(ratios):
            return 1.0, 0.0
        turbine_rpm = seen.turbine_rpm * ratios[gear] / ratios[gear - 1]
        far = ln_over(self._curves.k, turbine_rpm / w.engine_rpm, w.engine_rpm, max(torque.value_nm, 1.0))
        if abs(far) > _FAR_OFF:
            return 1.0, 0.0
        chance = _STILL if self._left == gear + 1 else max(_MISREAD, 1.0 - w.gear_probability)
        p = self._rows.predict(w.engine_rpm, turbine_rpm, torque, noise)
        fits: Array = normal(w.engine_rpm - turbine_rpm - p.slip[OPEN], p.total[OPEN])
        return 1.0 - chance, chance * self._open * fits

    def _applied(self, w: Window) -> bool | None:
        """As its control says, if that is believed; released, also where it has said nothing else so far."""
        first = self._says is None and w.clutch_applied is False and not self.bit.contradicted
        return False if first else self._says

    def _schedule(self, w: Window, torque_nm: float, seconds: float) -> None:
        """Odds that the clutch came on or let go since the last window."""
        rows = self._rows
        if self._says is not None:
            self._open[:] = OPEN_SAID[self._says]
        else:
            calls = calls_for(w, torque_nm, self._torque_nm, self.sums.cold)
            on, off = 1.0 - exp(-calls.on * seconds), 1.0 - exp(-calls.off * seconds)
            self._open += (1.0 - self._open) * off - self._open * on
            if w.low:
                self._open[:] = OPEN_IN_FIRST
        self._open[rows.never :: rows.causes] = 1.0 - _LOOKS_ON

    def _settle(self) -> None:
        self._weighed, self._joined = None, 0
        odd = self._ledger.settle()
        if odd is not None:
            self._rows.unlearn(odd)
            self._rows.begin()
            self._judged = None
