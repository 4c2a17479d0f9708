"""THE table of service 01: one row a PID. To add a PID, add a row here and one in tests/vectors/pids.csv.

Layouts and scaling: SAE J1979-DA, checked against public definitions of the same [J1979DA].
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

Value = tuple[str, float, float]  # quantity, value, resolution
Decode = Callable[[bytes], list[Value]]

_J1979 = "SAE J1979-DA [J1979DA]"
_PERCENT = 100.0 / 255.0


class Pid(NamedTuple):
    """One parameter identifier of service 01.

    A plain row is one big-endian unsigned number of `length` bytes: value = raw x scale + offset in the
    unit of `quantity`, and scale is the resolution. A row with `special` decodes by itself.
    """

    pid: int
    name: str
    length: int
    quantity: str
    scale: float
    offset: float
    source: str = _J1979
    special: Decode | None = None

    def decode(self, data: bytes) -> list[Value]:
        """The values in `data`, which holds exactly `length` bytes."""
        if self.special is not None:
            return self.special(data)
        return [(self.quantity, int.from_bytes(data, "big") * self.scale + self.offset, self.scale)]


def _sensors_air_flow(data: bytes) -> list[Value]:
    """Bits 0 and 1 of A: which of two sensors is fitted. An engine with two breathes through both."""
    flows = [
        int.from_bytes(data[at : at + 2], "big") / 32.0 for bit, at in ((0, 1), (1, 3)) if data[0] >> bit & 1
    ]
    return [("air_flow_g_s", sum(flows), 1.0 / 32.0)] if flows else []


def _inputs(data: bytes) -> list[Value]:
    """A says which bits of B count; bit 1 is an automatic's neutral (0) or drive (1), bit 2 a manual's."""
    return [("in_gear", float(data[1] >> bit & 1), 1.0) for bit in (1, 2) if data[0] >> bit & 1][:1]


def _gear(data: bytes) -> list[Value]:
    """A says what is supported: bit 0 the gear (high half of B), bit 1 the ratio (C, D)."""
    values: list[Value] = []
    if data[0] & 1 and data[1] >> 4 <= 10:  # above ten: reserved, from memory
        values.append(("gear", float(data[1] >> 4), 1.0))
    ratio = int.from_bytes(data[2:4], "big") / 1000.0
    if data[0] & 2 and ratio > 0.0:
        values.append(("gear_ratio", ratio, 0.001))
    return values


_ROWS: Final = (
    Pid(0x04, "Calculated load value", 1, "calculated_load_pct", _PERCENT, 0.0),
    Pid(0x05, "Engine coolant temperature", 1, "coolant_c", 1.0, -40.0),
    Pid(0x0B, "Intake manifold absolute pressure", 1, "manifold_kpa", 1.0, 0.0),
    Pid(0x0C, "Engine speed", 2, "engine_rpm", 0.25, 0.0),
    Pid(0x0D, "Vehicle speed", 1, "vehicle_kmh", 1.0, 0.0),
    Pid(0x0F, "Intake air temperature", 1, "intake_air_c", 1.0, -40.0),
    Pid(0x10, "Mass air flow", 2, "air_flow_g_s", 0.01, 0.0),
    Pid(0x11, "Absolute throttle position", 1, "throttle_pct", _PERCENT, 0.0),
    Pid(0x1F, "Time since engine start", 2, "engine_run_s", 1.0, 0.0),
    Pid(0x2F, "Fuel level input", 1, "fuel_level_pct", _PERCENT, 0.0),
    Pid(0x33, "Barometric pressure", 1, "barometric_kpa", 1.0, 0.0),
    Pid(0x42, "Control module voltage", 2, "module_voltage_v", 0.001, 0.0),
    Pid(0x43, "Absolute load value", 2, "absolute_load_pct", _PERCENT, 0.0),
    Pid(0x45, "Relative throttle position", 1, "relative_throttle_pct", _PERCENT, 0.0),
    Pid(0x46, "Ambient air temperature", 1, "ambient_c", 1.0, -40.0),
    Pid(0x49, "Accelerator pedal position D", 1, "pedal_pct", _PERCENT, 0.0),
    Pid(0x5A, "Relative accelerator pedal position", 1, "relative_pedal_pct", _PERCENT, 0.0),
    Pid(0x5C, "Engine oil temperature", 1, "oil_c", 1.0, -40.0),
    Pid(0x5E, "Engine fuel rate", 2, "fuel_rate_l_h", 0.05, 0.0),
    Pid(0x61, "Driver's demand engine percent torque", 1, "demand_torque_pct", 1.0, -125.0),
    Pid(0x62, "Actual engine percent torque", 1, "engine_torque_pct", 1.0, -125.0),
    Pid(0x63, "Engine reference torque", 2, "reference_torque_nm", 1.0, 0.0),
    Pid(0x65, "Auxiliary inputs and outputs", 2, "in_gear", 1.0, 0.0, special=_inputs),
    Pid(0x66, "Mass air flow sensors", 5, "air_flow_g_s", 1 / 32, 0.0, special=_sensors_air_flow),
    Pid(0x8E, "Engine friction percent torque", 1, "friction_torque_pct", 1.0, -125.0),
    Pid(0xA4, "Transmission actual gear", 4, "gear", 1.0, 0.0, f"{_J1979}, layout partly from memory", _gear),
    Pid(0xA6, "Odometer", 4, "odometer_km", 0.1, 0.0),
)
PIDS: Final[dict[int, Pid]] = {row.pid: row for row in _ROWS}

# Data bytes of every PID, decoded here or not: without them a packed answer cannot be taken apart.
# SAE J1979-DA, from memory and public lists; a PID missing here ends the reading of its answer.
LENGTHS: Final[dict[int, int]] = {
    first + index: int(length)
    for first, lengths in (
        (0x00, "4 4 2 2 1 1 1 1 1 1 1 1 2 1 1 1 2 1 1 1 2 2 2 2 2 2 2 2 1 1 1 2"),
        (0x20, "4 2 2 2 4 4 4 4 4 4 4 4 1 1 1 1 1 2 2 1 4 4 4 4 4 4 4 4 2 2 2 2"),
        (0x40, "4 4 2 2 2 1 1 1 1 1 1 1 1 2 2 4 4 1 1 2 2 2 2 2 2 2 1 1 1 2 2 1"),
        (0x60, "4 1 1 2 5 2 5 3 7 7 5 5 5 11 9 3 10 6 5 5 5 7 7 5 9 9 7 7 9 1 1 13"),
        (0x80, "4 41 41 9 1 10 5 5 13 41 41 7 17 1 1 7 3 5 2 3 12"),
        (0x98, "9 9 6 4 17 4 2 9"),
        (0xA0, "4 9 2 9 4 4 4"),
    )
    for index, length in enumerate(lengths.split())
} | {0xC0: 4, 0xE0: 4}


def supported_pids(mask_pid: int, mask: bytes) -> set[int]:
    """The PIDs a support mask names: its top bit is the PID after `mask_pid`, its lowest the 32nd after."""
    bits = int.from_bytes(mask[:4], "big")
    return {mask_pid + 32 - bit for bit in range(32) if bits >> bit & 1}
