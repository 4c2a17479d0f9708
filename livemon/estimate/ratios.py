"""Engine rpm per km/h in each gear with the clutch closed, as the vehicle file has it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from livemon.quantities import KMH_TO_M_S, RPM_TO_RAD_S
from livemon.vehicle import Known, Vehicle, turbine_rad_per_m

_RPM_PER_KMH: Final = KMH_TO_M_S / RPM_TO_RAD_S  # of a shaft that turns one radian a metre
_USUAL_RADIUS_M: Final = Known(0.33, 0.0264, True)
_LEAST_SD: Final = 0.003


def rpm_per_kmh(vehicle: Vehicle) -> tuple[list[float], float]:
    """([rpm per km/h], relative sd they share); empty where ratios or final drive are not given."""
    tyre = vehicle.tyre_radius_m or _USUAL_RADIUS_M
    per_m = turbine_rad_per_m(replace(vehicle, tyre_radius_m=tyre))
    if not per_m:
        return [], 0.0
    return [turns.value * _RPM_PER_KMH for turns in per_m], max(tyre.sd / tyre.value, _LEAST_SD)


def output_rpm_per_kmh(vehicle: Vehicle) -> float | None:
    """rpm of the transmission's output shaft per km/h; None where final drive or tyre are not given."""
    per_m = turbine_rad_per_m(replace(vehicle, gear_ratios=(1.0,)))
    return per_m[0].value * _RPM_PER_KMH if per_m else None
