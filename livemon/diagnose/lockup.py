"""The converter clutch: does it come on where it should, and does it hold under load?

Limits are published monitor limits (slip over 80-170 rpm with the clutch on: docs/sources.md [tcc-monitor]);
the weights are stated here and nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, log, pi, sqrt
from typing import Final

from livemon.converter.curves import Curves, at
from livemon.diagnose.windows import Window
from livemon.vehicle import Vehicle

# Controlled slip is normal on many vehicles: a few tens of rpm. Without a target in the file: 25 +- 20 rpm.
_TARGET_RPM: Final = (25.0, 20.0)
_SLIP_WANDER_RPM: Final = 12.0
_SLIPPING_FROM_RPM, _SLIPPING_TO_RPM = 70.0, 500.0
_ODD_WINDOW: Final = 0.05
_ODD_STRETCH: Final = 0.02
_HOLDS_AT_LIGHT_LOAD: Final = 0.45  # share of windows in which a slipping clutch still holds
_ENGAGING_S: Final = 2.5  # coming on takes a second or two
# Where schedules have the clutch on: a steady cruise in third or above. Common practice, no source.
_CRUISE_M_S: Final = 18.0
_CRUISE_ACCEL_M_S2: Final = 0.35
_NOT_YET_S: Final = 15.0  # the longest published monitor waits 15 s before it calls the clutch stuck off
_NEVER_ON_SOUND: Final = (
    0.012  # sound vehicles that hold it off a whole drive: cold fluid, tow mode, schedule
)


@dataclass(slots=True)
class _GearSlip:
    """Running sums of slip with the clutch on in one gear."""

    windows: int = 0
    slip_rpm: float = 0.0
    share: float = 0.0
    torque_nm: float = 0.0
    torque_slip: float = 0.0
    torque_square: float = 0.0
    most_rpm: float = 0.0
    first_s: float = 0.0
    last_s: float = 0.0


class LockupWatch:
    """Feed every window. Log evidences are relative to a sound clutch."""

    def __init__(self, vehicle: Vehicle, curves: Curves, torque_nm: float) -> None:
        target = vehicle.lockup_slip_target_rpm
        self.target_rpm, self._target_sd = _TARGET_RPM if target is None else (target, 8.0)
        self._curves, self._torque_nm = curves, torque_nm
        self.applied_s = 0.0
        self.loaded_s = 0.0  # applied, with more than a quarter of peak torque
        self.open_cruise_s = 0.0
        self.cruise_first_s: float | None = None
        self.cruise_last_s = 0.0
        self.slipping_s = 0.0
        self.by_gear: dict[int, _GearSlip] = {}
        self._on_since_s: float | None = None
        self._cruise_since_s: float | None = None
        self._settled = 0.0
        self._stretch = 0.0
        self._stretch_start_s = 0.0
        self.slip_now: tuple[float, float] | None = None  # (since s, mean slip rpm) of slipping going on
        self._slip_sum = 0.0
        self._slip_n = 0

    @property
    def log_slip(self) -> float:
        """ln evidence that the clutch slips when it should hold."""
        return self._settled + _soften(self._stretch)

    @property
    def log_never_applied(self) -> float:
        """ln evidence that the clutch never comes on although the drive called for it."""
        if self.applied_s > 4.0:
            return -4.0
        sound = _NEVER_ON_SOUND + (1.0 - _NEVER_ON_SOUND) * exp(-self.open_cruise_s / _NOT_YET_S)
        return -log(sound)

    def feed(self, w: Window) -> None:
        """Take one window."""
        duration_s = max(w.end_s - w.start_s, 0.1)
        share = self._clutch_share(w)
        driving = w.pump_torque_nm is None or w.pump_torque_nm > 0.06 * self._torque_nm
        applied = w.regime == "locked" or (
            w.regime == "pull" and share is not None and share > 0.45 and (w.speed_ratio or 0.0) > 0.87
        )
        if not applied:
            self._on_since_s = self.slip_now = None
            self._settle()
        else:
            if self._on_since_s is None:
                self._on_since_s = w.start_s
                self._stretch_start_s = w.start_s
            if w.start_s - self._on_since_s >= _ENGAGING_S or w.regime == "locked":
                if w.regime == "locked":
                    self.applied_s += duration_s
                if driving and w.slip_rpm is not None and w.start_s - self._on_since_s >= 1.0:
                    self._weigh_slip(w, duration_s)
        self._weigh_cruise(w, applied, driving, duration_s)

    def _clutch_share(self, w: Window) -> float | None:
        """Share of pump torque that the fluid cannot be carrying at this slip; None when not known."""
        if w.speed_ratio is None or w.pump_torque_nm is None or w.pump_torque_nm < 0.1 * self._torque_nm:
            return None
        fluid_nm = (w.engine_rpm / at(self._curves.k, min(w.speed_ratio, 0.98))) ** 2
        return 1.0 - fluid_nm / w.pump_torque_nm

    def _weigh_slip(self, w: Window, duration_s: float) -> None:
        assert w.slip_rpm is not None
        if w.pump_torque_nm is not None and w.pump_torque_nm > 0.25 * self._torque_nm:
            self.loaded_s += duration_s
        if w.start_s - self._stretch_start_s > 10.0:
            self._settle()
            self._stretch_start_s = w.start_s
        sd = sqrt(self._target_sd**2 + w.slip_sd_rpm**2 + _SLIP_WANDER_RPM**2)
        odd = _ODD_WINDOW / 600.0
        sound = (1.0 - _ODD_WINDOW) * _normal(w.slip_rpm - self.target_rpm, sd) + odd
        soft = hypot(w.slip_sd_rpm, _SLIP_WANDER_RPM)
        above = 1.0 / (1.0 + exp(-max(min(1.7 * (w.slip_rpm - _SLIPPING_FROM_RPM) / soft, 40.0), -40.0)))
        slipping = above / (_SLIPPING_TO_RPM - _SLIPPING_FROM_RPM) + odd
        self._stretch += log((_HOLDS_AT_LIGHT_LOAD * sound + (1.0 - _HOLDS_AT_LIGHT_LOAD) * slipping) / sound)
        gear = self.by_gear.setdefault(w.gear or 0, _GearSlip(first_s=w.start_s))
        gear.windows += 1
        gear.slip_rpm += w.slip_rpm
        gear.share += w.slip_rpm / w.engine_rpm
        gear.most_rpm = max(gear.most_rpm, w.slip_rpm)
        gear.last_s = w.end_s
        torque = w.pump_torque_nm or 0.0
        gear.torque_nm += torque
        gear.torque_slip += torque * w.slip_rpm
        gear.torque_square += torque * torque
        if w.slip_rpm - self.target_rpm > max(_SLIPPING_FROM_RPM - 10.0, 2.5 * soft):
            self.slipping_s += duration_s
            since_s = w.start_s if self.slip_now is None else self.slip_now[0]
            if self.slip_now is None:
                self._slip_sum, self._slip_n = 0.0, 0
            self._slip_sum += w.slip_rpm
            self._slip_n += 1
            self.slip_now = (since_s, self._slip_sum / self._slip_n)
        else:
            self.slip_now = None

    def _weigh_cruise(self, w: Window, applied: bool, driving: bool, duration_s: float) -> None:
        """Steady cruise with the clutch open: time in which schedules would have it on."""
        cruising = (
            not applied
            and driving
            and w.regime == "pull"
            and w.locked_probability < 0.3
            and (w.gear is None or w.gear >= 3)
            and w.road_speed_m_s is not None
            and w.road_speed_m_s > _CRUISE_M_S
            and abs(w.road_accel_m_s2) < _CRUISE_ACCEL_M_S2
            and (w.pump_torque_nm is None or w.pump_torque_nm < 0.6 * self._torque_nm)
        )
        if not cruising:
            self._cruise_since_s = None
            return
        if self._cruise_since_s is None:
            self._cruise_since_s = w.start_s
        if w.end_s - self._cruise_since_s > 4.0:
            self.open_cruise_s += duration_s
            self.cruise_last_s = w.end_s
            if self.cruise_first_s is None:
                self.cruise_first_s = self._cruise_since_s

    def _settle(self) -> None:
        self._settled += _soften(self._stretch)
        self._stretch = 0.0

    # -- reading out ---------------------------------------------------------------------------------

    def mean_slip_rpm(self) -> float | None:
        """Mean slip with the clutch on and the engine driving [rpm]."""
        windows = sum(g.windows for g in self.by_gear.values())
        return sum(g.slip_rpm for g in self.by_gear.values()) / windows if windows else None

    def most_slip_rpm(self) -> float | None:
        return max((g.most_rpm for g in self.by_gear.values()), default=None)

    def slip_per_100_nm(self) -> float | None:
        """How slip grows with load [rpm per 100 N m]; None when load hardly varied."""
        groups = self.by_gear.values()
        n = sum(g.windows for g in groups)
        if n < 8:
            return None
        mean_torque = sum(g.torque_nm for g in groups) / n
        spread = sum(g.torque_square for g in groups) - n * mean_torque**2
        if spread < n * (0.05 * self._torque_nm) ** 2:
            return None
        mean_slip = sum(g.slip_rpm for g in groups) / n
        return 100.0 * (sum(g.torque_slip for g in groups) - n * mean_torque * mean_slip) / spread

    def one_gear_only(self) -> tuple[int | None, bool]:
        """(the gear whose slip stands out, whether another gear was seen to hold)."""
        known = {gear: g.share / g.windows for gear, g in self.by_gear.items() if gear and g.windows >= 4}
        bad = [gear for gear, share in known.items() if share > 0.035]
        good = [gear for gear, share in known.items() if share < 0.02]
        return (bad[0] if len(bad) == 1 else None, bool(good))


def _normal(x: float, sd: float) -> float:
    return exp(-0.5 * min((x / sd) ** 2, 1400.0)) / (sd * sqrt(2.0 * pi))


def _soften(log_ratio: float) -> float:
    """A likelihood ratio, as it stands when the stretch may have been odd as a whole."""
    if log_ratio >= 0.0:
        return -log((1.0 - _ODD_STRETCH) * exp(-min(log_ratio, 300.0)) + _ODD_STRETCH)
    return log((1.0 - _ODD_STRETCH) * exp(max(log_ratio, -300.0)) + _ODD_STRETCH)
