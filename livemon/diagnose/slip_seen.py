"""The slip one window shows, the torque that goes with it, and what blurs them before any cause is asked."""

from __future__ import annotations

from math import hypot, sqrt
from typing import Final, NamedTuple

from livemon.converter.curves import Curves
from livemon.diagnose.road_torque import road_torque
from livemon.diagnose.slip_rows import Torque
from livemon.diagnose.windows import Window
from livemon.vehicle import Vehicle

_WANDER_RPM: Final = 12.0
_TORQUE_SHARE: Final = 0.02  # of peak: what a torque signal is off by from moment to moment
_SETTLING: Final = (1.2, 50.0)  # seconds after a shift, and how far slip is from where it will be [rpm]
# A control that holds slip takes a second to answer a step of torque larger than this share of peak, which
# shows where turbine speed is told: rpm for a step of peak torque. Common practice, no source.
_STEPS_S, _STEP, _STEP_RPM = 2.5, 0.15, 250.0
_LOOK_S, _GLIMPSE = 0.5, 0.1  # shorter windows count less, a single reading so much
_SAME: Final = 8.0  # rpm and N m


class SlipSeen(NamedTuple):
    """Slip and turbine speed [rpm], sd from readings. by_shaft: turbine speed is told by the vehicle."""

    rpm: float
    turbine_rpm: float
    sd_rpm: float
    by_shaft: bool


def slip_of(w: Window) -> SlipSeen | None:
    """By the vehicle's turbine speed, else by road speed and ratio: what the estimate made of the clutch is
    not asked. None where nothing tells."""
    if w.slip_rpm is None or w.turbine_rpm is None:
        return None
    turbine_rpm = w.by_ratio_rpm
    if turbine_rpm is not None and not w.turbine_told:
        return SlipSeen(w.engine_rpm - turbine_rpm, turbine_rpm, w.geared_sd_rpm, False)
    return SlipSeen(w.slip_rpm, w.turbine_rpm, w.slip_sd_rpm, w.turbine_told)


def torque_of(w: Window, vehicle: Vehicle, curves: Curves, peak_nm: float) -> Torque | None:
    """At the pump: told, else worked out from the road."""
    if w.pump_torque_nm is None:
        return road_torque(w, vehicle, curves)
    sd = hypot(w.pump_torque_sd_nm / sqrt(min(w.samples, 4)), w.pump_torque_unsure_nm)
    return Torque(w.pump_torque_nm, hypot(sd, _TORQUE_SHARE * peak_nm))


def noise_rpm(
    seen: SlipSeen, torque_nm: float, w: Window, before: Window | None, since_s: float, peak_nm: float
) -> float:
    """Of the slip of one window. before: the window weighed last; since_s: start of the gear."""
    noise = hypot(_WANDER_RPM, seen.sd_rpm)
    if seen.by_shaft and before is not None and w.start_s - before.end_s < _STEPS_S:
        step_nm = abs(torque_nm - (before.pump_torque_nm or torque_nm))
        noise = hypot(noise, _STEP_RPM * max(step_nm / peak_nm - _STEP, 0.0))
    return hypot(noise, _SETTLING[1]) if w.start_s - since_s < _SETTLING[0] else noise


def worth(w: Window) -> float:
    """Share of a look that one window is, by its length."""
    return min(1.0, max((w.end_s - w.start_s) / _LOOK_S, _GLIMPSE))


def same(w: Window, before: Window) -> bool:
    """Whether a window says what the one before it said: same state, slip and torque."""
    assert w.slip_rpm is not None and before.slip_rpm is not None
    return (
        w.regime == before.regime
        and abs(w.slip_rpm - before.slip_rpm) < _SAME
        and abs((w.pump_torque_nm or 0.0) - (before.pump_torque_nm or 0.0)) < _SAME
    )
