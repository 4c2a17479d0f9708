"""The converter clutch: does it come on where it should, and does it hold under load?

One number tells a sound clutch from a worn one and from one that never comes on: the torque C it can hold.
What it cannot hold the fluid must carry, and K says at what slip the fluid does that:
    C without limit: slip at its target      C small: slip grows with load      C = 0: the open converter
So each capacity predicts the slip of every window. Published monitor limits put slip at 80-170 rpm with the
clutch on [tcc-monitor]; nothing here depends on a single limit.
"""

from __future__ import annotations

from math import exp, hypot, inf, log, pi, sqrt
from typing import Final, NamedTuple

from livemon.converter.curves import Curves, at
from livemon.diagnose.lockup_sums import GearSlip, Totals
from livemon.diagnose.windows import Window
from livemon.vehicle import Vehicle

# What the clutch can hold, as a share of peak engine torque. First: sound. Last: never comes on.
CAPACITIES: Final = (inf, 0.06, 0.10, 0.15, 0.22, 0.32, 0.45, 0.0)
# Controlled slip is normal on many vehicles: a few tens of rpm. Without a target in the file: 25 +- 20 rpm.
_TARGET_RPM: Final = (25.0, 20.0)
_SLIP_WANDER_RPM: Final = 12.0
_SCALE_SD: Final = 0.010  # of turbine speed: what tyre and calibration leave wrong, the same all drive
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
_ALIKE: Final = 0.5  # windows of one stretch are partly the same look
_ODD_STRETCH: Final = 0.05
# Sound vehicles whose clutch goes its own way a whole drive: cold fluid, tow mode, a schedule of their own.
_OWN_WAY: Final = 0.012


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
        count = len(CAPACITIES)
        self._scale = [0.0] * count
        self._scale_var: list[float] = []
        self._settled = [0.0] * count
        self._stretch = [0.0] * count
        self._stretch_start_s = 0.0
        self.slipping_since_s: float | None = None

    def log_evidence(self) -> tuple[float, float]:
        """ln evidence, against a sound clutch, that it (slips when it should hold, never comes on)."""
        now = [a + b for a, b in zip(self._settled, _soften(self._stretch), strict=True)]
        worn = now[1:-1]
        top = max(worn)
        slips = top + log(sum(exp(x - top) for x in worn) / len(worn)) - now[0]
        never = now[-1] - now[0]
        most = max(slips, never, 0.0)
        sound = log((1.0 - _OWN_WAY) * exp(-most) + _OWN_WAY) + most
        return slips - sound, never - sound

    @property
    def capacity_nm(self) -> float:
        """The likeliest torque a worn clutch holds [N m]."""
        now = self._settled[1:-1]
        return CAPACITIES[1 + now.index(max(now))] * self._torque_nm

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
            self._count(w, 0.3, 0.3, cruise)
            return
        self._weigh(w, pumped, w.slip_rpm, w.turbine_rpm, cruise)

    def _weigh(self, w: Window, pumped: Pumped, slip: float, turbine: float, cruise: bool) -> None:
        noise = hypot(_SLIP_WANDER_RPM, 0.5 * w.slip_sd_rpm)
        if not self._scale_var:  # the estimate knows how well tyre and ratios are known
            self._scale_var = [min(_SCALE_SD, max(w.slip_sd_rpm / turbine, 0.002)) ** 2] * len(CAPACITIES)
        open_rpm, open_sd = self._fluid_slip(w.engine_rpm, pumped, 0.0)
        known_on = w.regime == "locked"
        share_open = 0.02 if known_on else _OPEN_SHARE["cruise" if cruise else "slow"]
        looks_open = 0.0
        on: list[float] = []
        for i, capacity in enumerate(CAPACITIES):
            expected, sd = open_rpm, open_sd
            if capacity > 0.0:
                expected, sd = self._fluid_slip(w.engine_rpm, pumped, capacity * self._torque_nm)
                if expected <= self.target_rpm:
                    expected, sd = self.target_rpm, self._target_sd
            variance = turbine * turbine * self._scale_var[i] + sd * sd + noise * noise
            off = slip - expected - turbine * self._scale[i]
            fits = _normal(off, variance)
            off_open = slip - open_rpm - turbine * self._scale[i]
            variance_open = turbine * turbine * self._scale_var[i] + open_sd * open_sd + noise * noise
            fits_open = fits if capacity == 0.0 else _normal(off_open, variance_open)
            odd = _ODD / _ODD_SPAN_RPM
            if capacity == 0.0:
                good = (1.0 - _NEVER_ON_LEFT) * fits * (0.05 if known_on else 1.0)
                looks_open = fits_open
            else:
                good = (1.0 - share_open) * fits
                on.append(fits)
            total = (1.0 - _ODD) * (good + (share_open * fits_open if capacity > 0.0 else 0.0)) + odd
            self._stretch[i] += _ALIKE * log(total)
            gain = (1.0 - _ODD) * good / total * _ALIKE * turbine * self._scale_var[i] / variance
            self._scale[i] += gain * off
            self._scale_var[i] *= max(1.0 - gain * turbine, 0.05)
            self._scale_var[i] = min(self._scale_var[i] + _SCALE_WALK**2, _SCALE_SD**2)
        flat = 0.2 / _ODD_SPAN_RPM
        worn = max(on[1:]) + flat
        total = on[0] + worn + looks_open + flat
        slips = worn / total if slip > self.target_rpm + 40.0 else 0.0
        self._count(w, slips, 0.0 if known_on else looks_open / total, cruise)

    def _fluid_slip(self, rpm: float, pumped: Pumped, capacity_nm: float) -> tuple[float, float]:
        """(slip at which the fluid carries what the clutch does not, its sd) [rpm]."""
        fluid_nm = pumped.torque_nm - capacity_nm
        if fluid_nm <= 0.02 * self._torque_nm:
            return 0.0, 0.0
        wanted = log(rpm) - 0.5 * log(fluid_nm)
        low, high = 0.5, 0.995
        k, tilt = self._curves.k, (pumped.shift_97 - pumped.shift_90) / 0.07
        for _ in range(9):
            middle = 0.5 * (low + high)
            if log(at(k, middle)) + pumped.shift_90 + tilt * (middle - 0.9) < wanted:
                low = middle
            else:
                high = middle
        ratio = 0.5 * (low + high)
        near = min(ratio, 0.97)
        slope = max((log(at(k, near + 0.015)) - log(at(k, near - 0.015))) / 0.03 + tilt, 1.5)
        off_k = hypot(pumped.sd, 0.5 * _TORQUE_SD * pumped.torque_nm / fluid_nm)
        return rpm * (1.0 - ratio), rpm * min(off_k / slope, 0.08)

    def _count(self, w: Window, slips: float, is_open: float, cruise: bool) -> None:
        assert w.slip_rpm is not None
        totals, duration_s = self.totals, max(w.end_s - w.start_s, 0.1)
        if is_open > 0.5:
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
        if slips > 0.6:
            totals.slipping_s += duration_s
            if self.slipping_since_s is None:
                self.slipping_since_s = w.start_s
        else:
            self.slipping_since_s = None

    def _settle(self) -> None:
        softened = _soften(self._stretch)
        self._settled = [a + b for a, b in zip(self._settled, softened, strict=True)]
        self._stretch = [0.0] * len(CAPACITIES)


def _normal(x: float, variance: float) -> float:
    return exp(-0.5 * min(x * x / variance, 1400.0)) / sqrt(2.0 * pi * variance)


def _soften(stretch: list[float]) -> list[float]:
    """Likelihoods of one stretch, as they stand when the stretch may have been odd as a whole."""
    top = max(stretch)
    return [log((1.0 - _ODD_STRETCH) * exp(max(x - top, -300.0)) + _ODD_STRETCH) for x in stretch]
