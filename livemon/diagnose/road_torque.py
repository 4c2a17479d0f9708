"""Pump torque worked out from the road, where the vehicle reports none: what the wheels must have had.

Rough, because no one knows the hill: good enough to tell an open converter from a clutch that holds.
"""

from __future__ import annotations

from math import hypot
from typing import Final

from livemon.converter.curves import Curves, at
from livemon.diagnose.slip_rows import Torque
from livemon.diagnose.windows import Window
from livemon.quantities import STANDARD_GRAVITY_M_S2
from livemon.vehicle import Vehicle, road_force

_HILLS: Final = 0.015  # sd of slope


def road_torque(w: Window, body: Vehicle, curves: Curves) -> Torque | None:
    """Torque at the pump [N m]; None when the window has no road speed or gear."""
    speed, per_m, ratio = w.road_speed_m_s, w.turbine_rad_per_m, w.speed_ratio
    if speed is None or per_m is None or ratio is None or w.brake is True:
        return None
    weight_n = body.mass_kg.value * STANDARD_GRAVITY_M_S2
    force = sum(road_force(body, speed, w.road_accel_m_s2, per_m))
    through = per_m * body.efficiency.value * max(at(curves.tr, min(ratio, 1.0)), 0.5)
    sd = hypot(_HILLS * weight_n, 0.25 * force, body.mass_kg.value * w.road_accel_sd_m_s2)
    return Torque(force / through, sd / through, told=False)
