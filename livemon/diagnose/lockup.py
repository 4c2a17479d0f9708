"""The converter clutch: does it come on where it should, and does it hold under load?

One number tells a sound clutch from a worn one and from one that never comes on: the torque C it can hold.
What it cannot hold the fluid must carry, and K says at what slip the fluid does that:
    C without limit: slip at its target      C small: slip grows with load      C = 0: the open converter
So each capacity predicts the slip of every window. Published monitor limits put slip at 80-170 rpm with the
clutch on [tcc-monitor]; nothing here depends on a single limit.
"""

from __future__ import annotations

from math import exp, hypot, inf, log, pi
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livemon.converter.curves import Curves, at
from livemon.diagnose.lockup_sums import GearSlip, Totals
from livemon.diagnose.windows import Window
from livemon.vehicle import Vehicle

# What the clutch can hold, as a share of peak engine torque. First: sound. Last: never comes on.
CAPACITIES: Final = (inf, 0.03, 0.06, 0.10, 0.15, 0.22, 0.32, 0.45, 0.0)
# K past the coupling point is known to a tenth at best, and that error is the same all drive: ln K, share.
_K_OFF: Final = {-0.2: 0.08, -0.1: 0.2, 0.0: 0.44, 0.1: 0.2, 0.2: 0.08}
_K_SD: Final = 0.05  # beyond that, from one window to the next
# Controlled slip is normal on many vehicles: a few tens of rpm. Without a target in the file: 25 +- 20 rpm.
_TARGET_RPM: Final = (25.0, 20.0)
_SLIP_WANDER_RPM: Final = 12.0
_SCALE_SD: Final = 0.015  # of turbine speed: what tyre and calibration leave wrong, the same all drive
_SCALE_WALK: Final = 0.0008  # a window
_TORQUE_SD: Final = 0.05
_ENGAGING_S: Final = 3.0  # after a shift the clutch takes a moment to come on
_CRUISE_M_S: Final = 18.0  # where schedules have the clutch on in third and above. Common practice, no source
_CRUISE_ACCEL_M_S2: Final = 0.45
# How often a schedule has the clutch open: in cruise, and below it, where it may be open a whole drive, so
# that open says next to nothing there. Common practice, no source.
_OPEN_SHARE: Final = {"cruise": 0.10, "slow": 0.93}
_NEVER_ON_LEFT: Final = 0.04  # share of windows in which even a clutch that never comes on does not look open
_ODD: Final = 0.04
_ODD_SPAN_RPM: Final = 800.0
_ABSURD_RPM: Final = 600.0  # a gear taken for another, not a clutch
_HELD_RPM: Final = 40.0  # above target; below, nobody calls it slipping
_ALIKE: Final = 0.5  # windows of one stretch are partly the same look
_ODD_STRETCH: Final = 0.05
# Sound vehicles whose clutch goes its own way a whole drive: cold fluid, tow mode, a schedule of their own.
_OWN_WAY: Final = 0.012


Array = NDArray[np.float64]


class Pumped(NamedTuple):
    """What this drive has taught: pump torque [N m], shift of ln K at SR 0.9 and 0.97, sd of the shift."""

    torque_nm: float
    shift_90: float
    shift_97: float
    sd: float


class LockupWatch:
    """Feed every window. Log evidences are relative to a sound clutch."""

    def __init__(self, vehicle: Vehicle, curves: Curves, torque_nm: float) -> None:
        target = vehicle.lockup_slip_target_rpm
        self.target_rpm, self._target_sd = _TARGET_RPM if target is None else (target, 8.0)
        self._curves, self._torque_nm = curves, torque_nm
        self.totals = Totals()
        self.by_gear: dict[int, GearSlip] = {}
        self._gear: int | None = None
        self._since_s: float | None = None
        rows = [(c, k) for c in CAPACITIES for k in _K_OFF]
        held = np.array([c for c, _ in rows])
        self._held_nm: Array = held * torque_nm
        self._k_off: Array = np.array([k for _, k in rows])
        self._share: Array = np.array([_K_OFF[k] for _, k in rows])
        self._sound = np.isinf(held)
        self._never = held == 0.0
        self._worn = np.isfinite(held) & (held > 0.0)
        # Where the clutch is open under a row: the open row with the same K.
        by_k = {float(self._k_off[i]): i for i in np.flatnonzero(self._never)}
        self._open_like = np.array([by_k[k] for _, k in rows])
        self._ratio: Array = np.linspace(0.5, 0.995, 100)
        self._ln_k: Array = np.log([at(curves.k, float(ratio)) for ratio in self._ratio])
        self._scale: Array = np.zeros(len(rows))
        self._scale_var: Array = np.full(len(rows), _SCALE_SD**2)
        self._settled_scale = False
        self._settled: Array = np.zeros(len(rows))
        self._stretch: Array = np.zeros(len(rows))
        self._stretch_start_s = 0.0
        self.slipping_since_s: float | None = None
        self._weighed: Window | None = None
        self._joined = 0
        self._looked_open = False
        self._going_on = False
        self._judged: tuple[float, float] | None = None

    def log_evidence(self) -> tuple[float, float]:
        """ln evidence, against a sound clutch, that it (slips when it should hold, never comes on)."""
        if self._judged is None:
            self._judged = self._judge()
        return self._judged

    def _judge(self) -> tuple[float, float]:
        now = self._settled + _soften(self._stretch)
        top = float(now.max())
        weight = self._share * np.exp(np.maximum(now - top, -600.0))
        sound, worn, never = (
            log(max(float(weight[rows].sum()), 1e-260)) for rows in (self._sound, self._worn, self._never)
        )
        slips, never = worn - log(len(CAPACITIES) - 2) - sound, never - sound
        most = max(slips, never, 0.0)
        own_way = log((1.0 - _OWN_WAY) * exp(-most) + _OWN_WAY) + most
        return slips - own_way, never - own_way

    def feed(self, w: Window, pumped: Pumped | None) -> None:
        """Take one window; `pumped`: what is known of torque and K, None where there is no torque."""
        if w.regime not in ("pull", "locked") or w.slip_rpm is None or w.turbine_rpm is None:
            if w.regime != "coast":
                self._since_s = None
                self._settle()
            self.slipping_since_s = None
            return
        if w.gear != self._gear or self._since_s is None:
            self._gear, self._since_s = w.gear, w.start_s
            self._settle()
            self._stretch_start_s = w.start_s
        steady = w.regime == "locked" or w.start_s - self._since_s >= _ENGAGING_S
        torque_nm = w.pump_torque_nm
        driving = torque_nm is None or torque_nm > 0.05 * self._torque_nm
        if not (steady and driving) or (w.gear is not None and w.gear < 2) or w.gear_probability < 0.7:
            self.slipping_since_s = None
            return
        if w.start_s - self._stretch_start_s > 12.0:
            self._settle()
            self._stretch_start_s = w.start_s
        cruise = (
            (w.gear is None or w.gear >= 3)
            and w.road_speed_m_s is not None
            and w.road_speed_m_s > _CRUISE_M_S
            and abs(w.road_accel_m_s2) < _CRUISE_ACCEL_M_S2
            and (torque_nm is None or torque_nm < 0.6 * self._torque_nm)
        )
        if pumped is None:
            self._count(w, 0.3, False, cruise)
            return
        before = self._weighed
        if before is not None and _same(w, before) and w.slip_rpm < self.target_rpm + _HELD_RPM:
            # Nothing new: it joins the next weighing with its own weight.
            self._joined += 1
            self._weighed = None
            self._count(w, 0.0, self._looked_open, cruise)
            return
        self._weigh(w, pumped, w.slip_rpm, w.turbine_rpm, cruise)
        self._weighed = w

    def _weigh(self, w: Window, pumped: Pumped, slip: float, turbine: float, cruise: bool) -> None:
        noise = hypot(_SLIP_WANDER_RPM, 0.5 * w.slip_sd_rpm) ** 2
        if not self._settled_scale:  # the estimate knows how well tyre and ratios are known
            self._scale_var[:] = min(_SCALE_SD, max(w.slip_sd_rpm / turbine, 0.002)) ** 2
            self._settled_scale = True
        expected, sd = self._fluid_slip(w.engine_rpm, pumped, self._held_nm)
        open_rpm, open_sd = expected[self._open_like], sd[self._open_like]
        at_target = expected <= self.target_rpm
        expected = np.where(at_target, self.target_rpm, expected)
        sd = np.where(at_target, self._target_sd, sd)
        known_on = w.regime == "locked"
        often = 0.02 if known_on else _OPEN_SHARE["cruise" if cruise else "slow"]
        share_open = np.where(self._never, 0.0, often)
        common = turbine * turbine * self._scale_var + noise
        off = slip - expected - turbine * self._scale
        variance = common + sd * sd
        fits = _normal(off, variance)
        fits_open = _normal(slip - open_rpm - turbine * self._scale, common + open_sd * open_sd)
        good = fits * np.where(
            self._never, (1.0 - _NEVER_ON_LEFT) * (0.05 if known_on else 1.0), 1.0 - share_open
        )
        total = (1.0 - _ODD) * (good + share_open * fits_open) + _ODD / _ODD_SPAN_RPM
        alike = _ALIKE * (1 + self._joined)
        self._joined = 0
        self._stretch += alike * np.log(total)
        self._going_on = True
        self._judged = None
        gain = (1.0 - _ODD) * good / total * alike * turbine * self._scale_var / variance
        self._scale += gain * off
        self._scale_var *= np.maximum(1.0 - gain * turbine, 0.05)
        np.minimum(self._scale_var + _SCALE_WALK**2, _SCALE_SD**2, out=self._scale_var)
        flat = 0.2 / _ODD_SPAN_RPM
        sound, worn, is_open = (float(fits[of].max()) + flat for of in (self._sound, self._worn, self._never))
        slips = worn / (sound + worn) if slip > self.target_rpm + _HELD_RPM else 0.0
        # A clutch that holds next to nothing and one that is open look alike: counted as open.
        looks_open = self._looked_open = not known_on and is_open > max(sound, 0.6 * worn)
        self._count(w, slips, looks_open, cruise)

    def _fluid_slip(self, rpm: float, pumped: Pumped, held_nm: Array) -> tuple[Array, Array]:
        """(slip at which the fluid carries what the clutch does not, its sd), each row [rpm]; 0: it holds."""
        fluid_nm = np.maximum(pumped.torque_nm - held_nm, 1e-3)
        tilt = (pumped.shift_97 - pumped.shift_90) / 0.07
        ln_k = np.maximum.accumulate(self._ln_k + pumped.shift_90 + tilt * (self._ratio - 0.9))
        ratio = np.interp(log(rpm) - 0.5 * np.log(fluid_nm) - self._k_off, ln_k, self._ratio)
        near = np.minimum(ratio, 0.97)
        step = np.interp(near + 0.015, self._ratio, ln_k) - np.interp(near - 0.015, self._ratio, ln_k)
        off_k = np.hypot(max(pumped.sd, _K_SD), 0.5 * _TORQUE_SD * pumped.torque_nm / fluid_nm)
        holds = fluid_nm <= 0.02 * self._torque_nm
        sd = rpm * np.minimum(off_k / np.maximum(step / 0.03, 1.5), 0.08)
        return np.where(holds, 0.0, rpm * (1.0 - ratio)), np.where(holds, 0.0, sd)

    def _count(self, w: Window, slips: float, is_open: bool, cruise: bool) -> None:
        assert w.slip_rpm is not None
        totals, duration_s = self.totals, max(w.end_s - w.start_s, 0.1)
        if w.slip_rpm > _ABSURD_RPM:
            return
        if is_open:
            self.slipping_since_s = None
            if cruise:
                totals.open_cruise_s += duration_s
                totals.cruise_last_s = w.end_s
                if totals.cruise_first_s is None:
                    totals.cruise_first_s = w.start_s
            return
        totals.applied_s += duration_s
        if w.pump_torque_nm is not None and w.pump_torque_nm > 0.25 * self._torque_nm:
            totals.loaded_s += duration_s
        self.by_gear.setdefault(w.gear or 0, GearSlip(first_s=w.start_s)).add(w)
        if slips > 0.75:
            totals.slipping_s += duration_s
            if self.slipping_since_s is None:
                self.slipping_since_s = w.start_s
        else:
            self.slipping_since_s = None

    def _settle(self) -> None:
        self._weighed, self._joined = None, 0
        if self._going_on:
            self._settled += _soften(self._stretch)
            self._stretch[:] = 0.0
            self._going_on = False
            self._judged = None


def _same(w: Window, before: Window) -> bool:
    """Whether a window says what the one before it said: same state, slip and torque."""
    assert w.slip_rpm is not None and before.slip_rpm is not None
    return (
        w.regime == before.regime
        and abs(w.slip_rpm - before.slip_rpm) < 8.0
        and abs((w.pump_torque_nm or 0.0) - (before.pump_torque_nm or 0.0)) < 8.0
    )


def _normal(x: Array, variance: Array) -> Array:
    density: Array = np.exp(-0.5 * np.minimum(x * x / variance, 1400.0)) / np.sqrt(2.0 * pi * variance)
    return density


def _soften(stretch: Array) -> Array:
    """Likelihoods of one stretch, as they stand when the stretch may have been odd as a whole."""
    softened: Array = np.log((1.0 - _ODD_STRETCH) * np.exp(stretch - stretch.max()) + _ODD_STRETCH)
    return softened
