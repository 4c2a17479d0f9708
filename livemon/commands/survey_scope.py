"""What can and cannot be judged on a vehicle, from what it answers, how fast, and the vehicle file. Pure."""

from __future__ import annotations

from collections.abc import Set
from typing import Final, NamedTuple, get_args

from livemon.quantities import TORQUE_SOURCES, pedal_quantities, torque_quantities
from livemon.records import FindingName
from livemon.vehicle import Vehicle

SHUDDER_HZ: Final = (4.0, 20.0)  # common practice, no source: about 4 to 20 Hz
SAMPLES_A_SWING: Final = 2.5  # a spectrum needs more than two; asks never come quite evenly
SLOW_PER_S: Final = 15.0  # readings a second below which a faster link is worth the trouble


class Scope(NamedTuple):
    """One finding: whether it is in reach ("yes", "partly", "no") and why, as half a sentence."""

    finding: FindingName
    reach: str
    why: str


def torque_source(answered: Set[str], vehicle: Vehicle) -> str:
    """Where engine torque would come from; empty when nothing tells."""
    for name in torque_quantities(vehicle.fuel):
        lacks_reference = name == "engine_torque_pct" and "reference_torque_nm" not in answered
        lacks_size = name == "absolute_load_pct" and vehicle.displacement_l is None
        lacks_rating = name == "calculated_load_pct" and not vehicle.full_load_known
        if name in answered and not (lacks_reference or lacks_size or lacks_rating):
            source = TORQUE_SOURCES[name]
            return "reported torque" if source == "reported" else source.replace("_", " ")
    return ""


def scopes(answered: Set[str], locked_rpm_per_s: float, vehicle: Vehicle) -> list[Scope]:
    """Every fault that livemon knows, with how far it is in reach.

    answered: quantities; locked_rpm_per_s: engine speed readings a second while locked.
    """
    direct = "turbine_rpm" in answered
    road = "vehicle_kmh" in answered
    if "engine_rpm" not in answered or not (direct or road):
        lacking = "engine speed" if "engine_rpm" not in answered else "road and turbine speed"
        return [Scope(name, "no", f"no {lacking} is answered") for name in _ALL]
    gears = bool(vehicle.gear_ratios and vehicle.final_drive and vehicle.tyre_radius_m)
    turbine = (
        "turbine speed is broadcast"
        if direct
        else "turbine speed from road speed and the gears in the file"
        if gears
        else "once cruises with the clutch locked have shown the gears"
    )
    open_reach = "yes" if direct or gears else "partly"
    return [
        *_stator(answered, vehicle, open_reach, turbine),
        _shudder(locked_rpm_per_s),
        Scope("lockup_slip", open_reach, turbine),
        Scope("lockup_never_applied", "yes" if road else "no", "needs a steady cruise above about 65 km/h"),
        Scope("gear_slip", open_reach, turbine),
        *_engine_and_drag(answered, vehicle, road),
    ]


_ALL: Final[tuple[FindingName, ...]] = tuple(
    name for name in get_args(FindingName) if name not in ("none", "not_enough_evidence")
)


def _stator(answered: Set[str], vehicle: Vehicle, reach: str, turbine: str) -> list[Scope]:
    source = torque_source(answered, vehicle)
    if not source:
        why = "no engine torque, nor anything to work it out from"
        return [Scope("stator_not_holding", "no", why), Scope("stator_seized", "partly", turbine)]
    if source != "reported torque":
        reach, turbine = "partly", f"torque worked out from {source}: only losses above about 20 % show"
    elif vehicle.stall_speed_rpm is None and not vehicle.curve:
        reach, turbine = "partly", "no stall speed in the file: by torque ratio and the shape of K only"
    return [Scope("stator_not_holding", reach, turbine), Scope("stator_seized", reach, turbine)]


def _shudder(per_s: float) -> Scope:
    highest_hz = per_s / SAMPLES_A_SWING
    low, high = SHUDDER_HZ
    if highest_hz < low:
        return Scope(
            "lockup_shudder", "no", f"engine speed {per_s:.0f} times a second shows no 4 to 20 Hz swing"
        )
    reach = "yes" if highest_hz >= high else "partly"
    return Scope(
        "lockup_shudder", reach, f"swings up to about {min(highest_hz, high):.0f} Hz (of 4 to 20) show"
    )


def _engine_and_drag(answered: Set[str], vehicle: Vehicle, road: bool) -> list[Scope]:
    source = torque_source(answered, vehicle)
    pedal = answered & {*pedal_quantities(vehicle.fuel)}
    if not source:
        why = "no engine torque, nor anything to work it out from"
        return [
            Scope("engine_low_output", "no", why),
            Scope("driveline_drag", "partly", "in coast-down only"),
        ]
    lacking = [] if vehicle.rated else ["torque rating in the file"]
    lacking += [] if pedal else ["pedal"]
    if source == "calculated load":
        engine = Scope(
            "engine_low_output", "partly", "against the road only: calculated load measures no rating"
        )
    elif lacking:
        engine = Scope("engine_low_output", "partly", f"against the road only: no {' and no '.join(lacking)}")
    else:
        engine = Scope("engine_low_output", "yes", f"{source} against the road and the rating")
    if not road:
        return [engine, Scope("driveline_drag", "no", "no road speed")]
    if vehicle.mass_kg.assumed:
        return [engine, Scope("driveline_drag", "partly", "no mass in the file: only much drag shows")]
    return [engine, Scope("driveline_drag", "yes", f"{source} against the road")]


def to_set(vehicle: Vehicle, *, given: bool, slow: bool, baud_found: bool) -> list[str]:
    """What the user can do to have more judged, most useful first.

    given: there is a vehicle file; slow: over an adapter, at less than SLOW_PER_S readings a second.
    """
    advice = [] if given else ["make a vehicle file: livemon vehicle new V.toml, and give it with --vehicle"]
    missing = [
        name
        for name, known in (
            ("driveline.gear_ratios", vehicle.gear_ratios),
            ("driveline.final_drive", vehicle.final_drive),
            ("driveline.tyre", vehicle.tyre_radius_m),
            ("body.mass_kg", not vehicle.mass_kg.assumed),
            ("converter.stall_speed_rpm", vehicle.stall_speed_rpm or vehicle.curve),
            ("converter.stall_torque_ratio", vehicle.stall_torque_ratio or vehicle.curve),
            ("engine.peak_torque_nm", vehicle.peak_torque_nm or vehicle.torque_curve),
            ("engine.displacement_l", vehicle.displacement_l),
            ("engine.fuel", vehicle.fuel),
        )
        if not known
    ]
    if missing:
        advice.append("in the vehicle file: " + ", ".join(missing))
    if slow:
        more = "; a higher --baud if the adapter can be set to one" if baud_found else ""
        advice.append(f"a faster adapter, or a CAN interface{more}")
    return advice
