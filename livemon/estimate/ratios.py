"""Engine rpm per km/h in each gear with the clutch closed, as the vehicle file has it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from livemon.quantities import KMH_TO_M_S, RPM_TO_RAD_S
from livemon.vehicle import Known, Vehicle, turbine_rad_per_m

_RPM_PER_KMH: Final = KMH_TO_M_S / RPM_TO_RAD_S  # of a shaft that turns one radian a metre
_USUAL_RADIUS_M: Final = Known(0.33, 0.0264, True)
# Engine speed over road speed in top gear: 21.6 to 31.7 rpm/mph in 90 % of lockup automatics [epa-testcar],
# and half as much spread again for older boxes.
USUAL_TOP: Final = (15.6, 0.18)  # rpm per km/h; relative
_LEAST_SD: Final = 0.003


def rpm_per_kmh(vehicle: Vehicle) -> tuple[list[float], float]:
    """([rpm per km/h], relative sd they share); empty where ratios, final drive or tyre are not given."""
    tyre, per_m = vehicle.tyre_radius_m, turbine_rad_per_m(vehicle)
    if tyre is None or not per_m:
        return [], 0.0
    return [turns.value * _RPM_PER_KMH for turns in per_m], max(tyre.sd / tyre.value, _LEAST_SD)


def usual_top(vehicle: Vehicle) -> tuple[float, float]:
    """rpm per km/h to be expected in top gear where the file does not tell it, and its relative sd."""
    per_m = turbine_rad_per_m(replace(vehicle, tyre_radius_m=_USUAL_RADIUS_M))
    if not per_m or vehicle.tyre_radius_m is not None:
        return USUAL_TOP
    return per_m[-1].value * _RPM_PER_KMH, per_m[-1].sd / per_m[-1].value


def output_rpm_per_kmh(vehicle: Vehicle) -> float | None:
    """rpm of the transmission's output shaft per km/h; None where final drive or tyre are not given."""
    per_m = turbine_rad_per_m(replace(vehicle, gear_ratios=(1.0,)))
    return per_m[0].value * _RPM_PER_KMH if per_m else None
