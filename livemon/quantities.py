"""Names, units and conversion factors, and which quantity plays which part, each once.

Level 0: imports nothing of livemon.
"""

from __future__ import annotations

from math import pi
from typing import Final

RPM_TO_RAD_S: Final = pi / 30.0
KMH_TO_M_S: Final = 1.0 / 3.6
STANDARD_GRAVITY_M_S2: Final = 9.80665  # CODATA 2018, exact by definition
BAROMETER_KPA: Final = 50.0, 110.0  # at 5500 m; below sea level in a strong high
SEA_LEVEL_KPA: Final = 101.3
AIR_DENSITY_KG_M3: Final = 1.2  # about 20 degC at 101 kPa; the density the EPA figures in docs/sources.md use

QUANTITIES: Final[dict[str, str]] = {
    # name: unit. A name ends in its unit, so nobody has to look here to read a number.
    "engine_rpm": "rpm",
    "vehicle_kmh": "km/h",
    "turbine_rpm": "rpm",  # transmission input shaft
    "output_rpm": "rpm",  # transmission output shaft
    "gear": "1",  # 0 = neutral or park, negative = reverse
    "gear_ratio": "1",
    "in_gear": "1",  # 0 in neutral or park, 1 in drive or reverse
    "lockup": "1",  # 0 released, 1 applied
    "shift_in_process": "1",
    "brake": "1",
    "engine_torque_nm": "N m",  # net at the flywheel, as broadcast
    "demand_torque_pct": "%",
    "engine_torque_pct": "%",  # indicated torque, percent of reference (SAE J1979 PID 62, J1939 SPN 513)
    "reference_torque_nm": "N m",
    "friction_torque_pct": "%",
    "air_flow_g_s": "g/s",
    "absolute_load_pct": "%",
    "calculated_load_pct": "%",
    "manifold_kpa": "kPa",
    "barometric_kpa": "kPa",
    "throttle_pct": "%",
    "pedal_pct": "%",
    "relative_throttle_pct": "%",  # from its own learned closed position: another zero than throttle_pct
    "relative_pedal_pct": "%",  # from its own learned rest position: another zero than pedal_pct
    "coolant_c": "degC",
    "intake_air_c": "degC",
    "ambient_c": "degC",
    "oil_c": "degC",
    "transmission_oil_c": "degC",
    "module_voltage_v": "V",
    "fuel_rate_l_h": "L/h",
    "odometer_km": "km",
    "fuel_level_pct": "%",
    "engine_run_s": "s",
}

NO_SENSOR_C: Final = -39.0  # what a control without a coolant sensor sends is the least it can send, -40
CALL_FROM: Final = 2.0 / 3.0  # a fault is named when it is twice as likely as everything else together
CLUTCH_COMES_ON_S: Final = 2.5  # ramp of the clutch and the time it takes to be sure that it is on
NEAR_COUPLING: Final = 0.78  # speed ratio up to which no control closes the clutch on a launch

# These change seldom: where they are broadcast often they are passed on when they change, and now and then.
STATES: Final = frozenset({"gear", "in_gear", "lockup", "shift_in_process", "brake"})
REPEAT_S: Final = 0.5  # a state that has not changed is told again after this long

# What engine torque is taken from, and what that is called beside it (`Estimate.torque_source`).
TORQUE_SOURCES: Final = {
    "engine_torque_nm": "reported",
    "engine_torque_pct": "reported",
    "fuel_rate_l_h": "fuel_rate",
    "air_flow_g_s": "air_flow",
    "absolute_load_pct": "absolute_load",
    "calculated_load_pct": "calculated_load",
}
OF_RATING: Final = frozenset({"calculated_load"})  # worked out from the rating: no measure of it


def torque_quantities(fuel: str | None) -> tuple[str, ...]:
    """What engine torque is taken from, best first. A diesel breathes alike whatever it makes."""
    worked_out = ("fuel_rate_l_h",) if fuel == "diesel" else ("air_flow_g_s", "absolute_load_pct")
    return "engine_torque_nm", "engine_torque_pct", *worked_out, "calculated_load_pct"


def pedal_quantities(fuel: str | None) -> tuple[str, ...]:
    """What tells the driver's foot, best first. A diesel's throttle is open whatever the foot does."""
    return ("pedal_pct", "relative_pedal_pct") + (("throttle_pct",) if fuel == "petrol" else ())
