"""Engine rpm per km/h in each gear with the clutch closed, as the vehicle file has it."""

from __future__ import annotations

from math import pi
from typing import Final

from livemon.vehicle import Vehicle

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


def output_rpm_per_kmh(vehicle: Vehicle) -> float | None:
    """rpm of the transmission's output shaft per km/h; None where final drive or tyre are not given."""
    if vehicle.final_drive is None or vehicle.tyre_radius_m is None:
        return None
    return vehicle.final_drive / vehicle.tyre_radius_m.value * _RPM_PER_KMH
