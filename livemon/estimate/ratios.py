"""Engine rpm per km/h in each gear with the clutch closed, as the vehicle file gives it."""

from __future__ import annotations

from math import pi
from typing import Final

from livemon.vehicle import Vehicle, engine_torque_limit

_RPM_PER_KMH: Final = 30.0 / pi / 3.6  # of a wheel of 1 m radius
_USUAL_RADIUS_M: Final = 0.33
_USUAL_SD: Final = 0.08


def rpm_per_kmh(vehicle: Vehicle) -> tuple[list[float], float]:
    """([rpm per km/h], relative sd they share); empty where ratios or final drive are not given."""
    if not vehicle.gear_ratios or vehicle.final_drive is None:
        return [], 0.0
    tyre = vehicle.tyre_radius_m
    radius, sd = (tyre.value, tyre.sd / tyre.value) if tyre else (_USUAL_RADIUS_M, _USUAL_SD)
    return [ratio * vehicle.final_drive / radius * _RPM_PER_KMH for ratio in vehicle.gear_ratios], max(
        sd, 0.003
    )


def usual_grip_nm(vehicle: Vehicle) -> float | None:
    """Torque at 1000 rpm that makes a converter fit for this engine slip 10 %, within some 40 %.

    A converter is chosen to stall near 2200 rpm (common practice, no source) or where the file says, and passes
    about 0.45 of its stall torque at a speed ratio of 0.9 (published tables lie between 0.33 and 0.58).
    """
    stall_rpm = vehicle.stall_speed_rpm or 2200.0
    torque = engine_torque_limit(vehicle, stall_rpm)
    if torque is None:
        return None
    return 0.45 * torque.value / (stall_rpm / 1000.0) ** 2
