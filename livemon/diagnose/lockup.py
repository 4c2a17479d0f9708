"""The converter clutch: does it come on where it should, and does it hold under load?

Every window in a steady gear is one of three things, each with its own signature in slip and in K:
    holds     slip near the target, K says nothing about the fluid
    slips     slip well over target, yet K far below the open curve: the clutch carries part of the torque
    open      any slip, K on the curve
What share of windows is which tells a sound clutch from a slipping one and from one that never comes on.
Published monitor limits put slip at 80-170 rpm with the clutch on [tcc-monitor].
"""

from __future__ import annotations

from math import exp, hypot, log, pi, sqrt
from typing import Final

from livemon.diagnose.lockup_sums import GearSlip, Totals
from livemon.diagnose.windows import Window
from livemon.vehicle import Vehicle

# Controlled slip is normal on many vehicles: a few tens of rpm. Without a target in the file: 25 +- 20 rpm.
_TARGET_RPM: Final = (25.0, 20.0)
_SLIP_WANDER_RPM: Final = 12.0
_SLIPPING_RPM: Final = (60.0, 400.0)
_LN_K_FALLS: Final = (-1.5, -0.08)  # ln K seen - ln K open, when the clutch carries part of the torque
_LN_K_SPAN: Final = 2.0
_ENGAGING_S: Final = 3.0  # after a shift the clutch takes a moment to come on
_CRUISE_M_S: Final = 18.0  # where schedules have the clutch on in third and above. Common practice, no source
_CRUISE_ACCEL_M_S2: Final = 0.45
# Share of windows that hold, slip, are open: (sound, slipping clutch, clutch that never comes on), in cruise and
# below it. Common practice, no source.
_CRUISE_SHARES: Final = ((0.84, 0.06, 0.10), (0.35, 0.55, 0.10), (0.01, 0.04, 0.95))
_SLOW_SHARES: Final = ((0.50, 0.08, 0.42), (0.22, 0.38, 0.40), (0.01, 0.04, 0.95))
_ALIKE: Final = 0.5  # windows of one stretch are partly the same look
_ODD_STRETCH: Final = 0.05
# Sound vehicles that hold the clutch off a whole drive: cold fluid, tow mode, a schedule of their own.
_NEVER_ON_SOUND: Final = 0.012


class LockupWatch:
    """Feed every window. Log evidences are relative to a sound clutch."""

    def __init__(self, vehicle: Vehicle, torque_nm: float) -> None:
        target = vehicle.lockup_slip_target_rpm
        self.target_rpm, self._target_sd = _TARGET_RPM if target is None else (target, 8.0)
        self._torque_nm = torque_nm
        self.totals = Totals()
        self.by_gear: dict[int, GearSlip] = {}
        self._gear: int | None = None
        self._since_s: float | None = None
        self._settled = [0.0, 0.0]  # ln evidence of (slips, never on)
        self._stretch = [0.0, 0.0]
        self._stretch_start_s = 0.0
        self.slipping_since_s: float | None = None

    @property
    def log_slip(self) -> float:
        """ln evidence that the clutch slips when it should hold."""
        return self._settled[0] + _soften(self._stretch[0])

    @property
    def log_never_applied(self) -> float:
        """ln evidence that the clutch never comes on although the drive called for it."""
        ratio = self._settled[1] + _soften(self._stretch[1])
        return -log((1.0 - _NEVER_ON_SOUND) * exp(-max(min(ratio, 300.0), -300.0)) + _NEVER_ON_SOUND)

    def feed(self, w: Window, k_look: tuple[float, float] | None) -> None:
        """Take one window; `k_look`: (ln K seen - ln K of the open clutch, its sd) where K can be seen."""
        if w.regime not in ("pull", "locked") or w.slip_rpm is None:
            if w.regime != "coast":
                self._since_s = None
                self._settle()
            self.slipping_since_s = None
            return
        if w.gear != self._gear or self._since_s is None:
            self._gear, self._since_s = w.gear, w.start_s
            self._settle()
            self._stretch_start_s = w.start_s
        duration_s = max(w.end_s - w.start_s, 0.1)
        if w.regime == "locked":
            self.totals.applied_s += duration_s
        steady = w.regime == "locked" or w.start_s - self._since_s >= _ENGAGING_S
        driving = w.pump_torque_nm is None or w.pump_torque_nm > 0.07 * self._torque_nm
        if not (steady and driving) or (w.gear is not None and w.gear < 2):
            self.slipping_since_s = None
            return
        if w.start_s - self._stretch_start_s > 12.0:
            self._settle()
            self._stretch_start_s = w.start_s
        states = self._states(w, k_look)
        cruise = (
            (w.gear is None or w.gear >= 3)
            and w.road_speed_m_s is not None
            and w.road_speed_m_s > _CRUISE_M_S
            and abs(w.road_accel_m_s2) < _CRUISE_ACCEL_M_S2
            and (w.pump_torque_nm is None or w.pump_torque_nm < 0.6 * self._torque_nm)
        )
        sound, slips, never = (
            sum(share * state for share, state in zip(shares, states, strict=True))
            for shares in (_CRUISE_SHARES if cruise else _SLOW_SHARES)
        )
        self._stretch[0] += _ALIKE * log(slips / sound)
        self._stretch[1] += _ALIKE * log(never / sound)
        self._count(w, states, cruise, duration_s)

    def _states(self, w: Window, k_look: tuple[float, float] | None) -> tuple[float, float, float]:
        """Likelihood of slip and K if the clutch (holds, slips, is open)."""
        assert w.slip_rpm is not None
        low, high = _SLIPPING_RPM
        soft = hypot(w.slip_sd_rpm, _SLIP_WANDER_RPM)
        flat_slip = 1.0 / 800.0
        holding = (
            0.97 * _normal(w.slip_rpm - self.target_rpm, hypot(self._target_sd, soft)) + 0.03 * flat_slip
        )
        over = w.slip_rpm - self.target_rpm - (low - _TARGET_RPM[0])
        slipping = _logistic(1.7 * over / soft) / (high - low) + 0.02 * flat_slip
        if w.regime == "locked":
            return holding, slipping, 0.02 * flat_slip  # it is known to be on
        if k_look is None:
            return holding / _LN_K_SPAN, slipping / _LN_K_SPAN, flat_slip / _LN_K_SPAN
        e, sd = k_look
        deep, shallow = _LN_K_FALLS
        falls = _logistic(1.7 * (shallow - e) / sd) / (shallow - deep) + 0.02 / _LN_K_SPAN
        on_curve = 0.97 * _normal(e, sd) + 0.03 / _LN_K_SPAN
        return holding / _LN_K_SPAN, slipping * falls, flat_slip * on_curve

    def _count(self, w: Window, states: tuple[float, float, float], cruise: bool, duration_s: float) -> None:
        assert w.slip_rpm is not None
        prior = (0.5, 0.2, 0.3)
        total = sum(p * s for p, s in zip(prior, states, strict=True))
        holds, slips, is_open = (p * s / total for p, s in zip(prior, states, strict=True))
        totals = self.totals
        if is_open > 0.5:
            self.slipping_since_s = None
            if cruise:
                totals.open_cruise_s += duration_s
                totals.cruise_last_s = w.end_s
                if totals.cruise_first_s is None:
                    totals.cruise_first_s = w.start_s
            return
        if w.regime != "locked":
            totals.applied_s += duration_s
        if w.pump_torque_nm is not None and w.pump_torque_nm > 0.25 * self._torque_nm:
            totals.loaded_s += duration_s
        self.by_gear.setdefault(w.gear or 0, GearSlip(first_s=w.start_s)).add(w)
        if slips > 0.7 and slips > holds:
            totals.slipping_s += duration_s
            if self.slipping_since_s is None:
                self.slipping_since_s = w.start_s
        else:
            self.slipping_since_s = None

    def _settle(self) -> None:
        for i in (0, 1):
            self._settled[i] += _soften(self._stretch[i])
            self._stretch[i] = 0.0


def _normal(x: float, sd: float) -> float:
    return exp(-0.5 * min((x / sd) ** 2, 1400.0)) / (sd * sqrt(2.0 * pi))


def _logistic(x: float) -> float:
    return 1.0 / (1.0 + exp(-max(min(x, 40.0), -40.0)))


def _soften(log_ratio: float) -> float:
    """A likelihood ratio, as it stands when the stretch may have been odd as a whole."""
    if log_ratio >= 0.0:
        return -log((1.0 - _ODD_STRETCH) * exp(-min(log_ratio, 300.0)) + _ODD_STRETCH)
    return log((1.0 - _ODD_STRETCH) * exp(max(log_ratio, -300.0)) + _ODD_STRETCH)
