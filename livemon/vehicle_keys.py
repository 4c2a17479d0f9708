"""The keys of the vehicle file. A row of KEYS is all there is to a key: its place, its range, and how well a
given value is known; loading, complaining and writing all read it here.
"""

from __future__ import annotations

from typing import Final, NamedTuple


class Number(NamedTuple):
    """A number key. `sd`: one standard deviation as a share of the value given; None: kept exact."""

    low: float
    high: float
    unit: str
    sd: float | None = None
    whole: bool = False


class Numbers(NamedTuple):
    """A list of numbers, or of rows of them: one Number a column; the first column of rows must rise."""

    columns: tuple[Number, ...]
    least: int
    example: str


class Words(NamedTuple):
    """A text key; any text, or one of `choices`."""

    choices: tuple[str, ...] = ()


Kind = Number | Numbers | Words

_TORQUE: Final = Number(20.0, 6000.0, "N m")
_SPEED: Final = Number(300.0, 9000.0, "rpm")
# A mass given in the file is without the day's passengers and load; tyres wear and carry load.
KEYS: Final[dict[str, dict[str, Kind]]] = {
    "": {"schema": Number(1, 1, "", whole=True), "name": Words()},
    "body": {
        "mass_kg": Number(500.0, 50000.0, "kg", 0.05),
        "drag_area_m2": Number(0.2, 12.0, "m2", 0.08),
        "rolling_resistance": Number(0.003, 0.04, "", 0.15),
    },
    "driveline": {
        "gear_ratios": Numbers((Number(0.3, 12.0, ""),), 1, "[4.1, 2.4, 1.6, 1.2, 0.9, 0.7]"),
        "final_drive": Number(0.8, 12.0, ""),
        "tyre": Words(),
        "tyre_radius_m": Number(0.2, 0.7, "m", 0.01),
        "efficiency": Number(0.6, 1.0, "", 0.02),
    },
    "engine": {
        "displacement_l": Number(0.5, 20.0, "L"),
        "cylinders": Number(1, 16, "", whole=True),
        "fuel": Words(("petrol", "diesel")),
        "inertia_kg_m2": Number(0.02, 8.0, "kg m2", 0.15),
        "peak_torque_nm": _TORQUE,
        "peak_torque_rpm": _SPEED,
        "torque_curve": Numbers(
            (Number(0.0, 9000.0, "rpm"), Number(1.0, 6000.0, "N m")), 2, "[[1000, 150], [2500, 210]]"
        ),
    },
    "converter": {
        "stall_speed_rpm": Number(800.0, 6000.0, "rpm"),
        "stall_torque_nm": _TORQUE,
        "stall_torque_ratio": Number(1.0, 6.0, ""),
        "coupling_speed_ratio": Number(0.5, 1.0, ""),
        "lockup_slip_target_rpm": Number(0.0, 300.0, "rpm"),
        "curve": Numbers(
            (Number(0.0, 1.0, ""), Number(10.0, 20000.0, "rpm/sqrt(N m)"), Number(0.0, 6.0, "")),
            3,
            "[[0.0, 140, 1.9], [0.5, 160, 1.4], [0.9, 220, 1.0]]",
        ),
    },
    "broadcast": dict.fromkeys(
        (
            "engine_rpm",
            "turbine_rpm",
            "vehicle_kmh",
            "output_rpm",
            "gear",
            "lockup",
            "engine_torque_nm",
            "engine_torque_pct",
        ),
        Words(),
    ),
}
