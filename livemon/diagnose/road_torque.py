"""Pump torque worked out from the road, where the vehicle reports none: what the wheels must have had.

Rough, because no one knows the hill: good enough to tell an open converter from a clutch that holds.
"""

from __future__ import annotations

from math import hypot
from typing import Final

from livemon.converter.curves import Curves, at
from livemon.diagnose.slip_rows import Torque
from livemon.diagnose.windows import Window
from livemon.quantities import AIR_DENSITY_KG_M3, STANDARD_GRAVITY_M_S2
from livemon.vehicle import Vehicle

_HILLS: Final = 0.015  # sd of slope
_ROTATING: Final = 0.05  # wheels, shafts, turbine, as a share of mass


def road_torque(w: Window, body: Vehicle, curves: Curves) -> Torque | None:
    """Torque at the pump [N m]; None when the window has no road speed or gear."""
    speed, per_m, ratio = w.road_speed_m_s, w.turbine_rad_per_m, w.speed_ratio
    if speed is None or per_m is None or ratio is None or w.brake is True:
        return None
    weight_n = body.mass_kg.value * STANDARD_GRAVITY_M_S2
    force = weight_n * body.rolling_resistance.value
    force += 0.5 * AIR_DENSITY_KG_M3 * body.drag_area_m2.value * speed * speed
    force += body.mass_kg.value * (1.0 + _ROTATING) * w.road_accel_m_s2
    through = per_m * body.efficiency.value * max(at(curves.tr, min(ratio, 1.0)), 0.5)
    sd = hypot(_HILLS * weight_n, 0.25 * force, body.mass_kg.value * w.road_accel_sd_m_s2)
    return Torque(force / through, sd / through, told=False)
