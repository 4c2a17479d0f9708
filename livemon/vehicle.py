"""The vehicle: the few numbers a shop knows, each with how well it is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple


class Known(NamedTuple):
    """A number with its standard deviation. `assumed` when it is a default and not from the vehicle file."""

    value: float
    sd: float
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One vehicle. Numbers without a sensible default are None (or empty) when not given.

    Keys and units are those of the vehicle file; `assumed` names every number that was defaulted.
    """

    name: str | None = None
    mass_kg: Known = Known(2155.0, 330.0, True)
    drag_area_m2: Known = Known(0.94, 0.18, True)
    rolling_resistance: Known = Known(0.0088, 0.0026, True)
    gear_ratios: tuple[float, ...] = ()
    final_drive: float | None = None
    tyre_radius_m: Known | None = None
    efficiency: Known = Known(0.92, 0.03, True)
    displacement_l: float | None = None
    cylinders: int | None = None
    fuel: str | None = None
    inertia_kg_m2: Known = Known(0.25, 0.08, True)  # engine and everything turning with the pump
    peak_torque_nm: float | None = None
    peak_torque_rpm: float | None = None
    torque_curve: tuple[tuple[float, float], ...] = ()  # (rpm, N m), rpm rising
    stall_speed_rpm: float | None = None
    stall_torque_nm: float | None = None
    stall_torque_ratio: float | None = None
    coupling_speed_ratio: float | None = None
    lockup_slip_target_rpm: float | None = None
    curve: tuple[tuple[float, float, float], ...] = ()  # (speed ratio, K, torque ratio)
    broadcast: dict[str, str] = field(default_factory=dict)
    assumed: tuple[str, ...] = ()
