"""What the vehicle file does not give and was taken as usual: in words, with value and two sd."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from livemon.vehicle import Known, Vehicle, stall_point

# Vehicle-file name -> words, unit, digits.
_WORDS: Final = {
    "body.mass_kg": ("mass", " kg", 0),
    "body.drag_area_m2": ("drag area", " m²", 2),
    "body.rolling_resistance": ("rolling resistance", "", 4),
    "driveline.efficiency": ("driveline efficiency", "", 2),
    "engine.inertia_kg_m2": ("engine inertia", " kg m²", 2),
    "converter.stall_speed_rpm": ("stall speed", " rpm", 0),
    "converter.stall_torque_nm": ("stall torque", " N m", 0),
    "converter.stall_torque_ratio": ("stall torque ratio", "", 2),
    "converter.coupling_speed_ratio": ("coupling speed ratio", "", 2),
}


def sentence(vehicle: Vehicle) -> str:
    """Everything that was assumed of this vehicle, on one line; "" when its file gives it all."""
    return _sentence(_told(vehicle, name) for name in vehicle.assumed)


def named(names: Iterable[str]) -> str:
    """The same where only the names are known, as in a result read back."""
    return _sentence(_words(name) for name in names)


def _sentence(parts: Iterable[str]) -> str:
    told = ", ".join(parts)
    return f"Assumed (not in the vehicle file): {told}." if told else ""


def _words(name: str) -> str:
    return _WORDS[name][0] if name in _WORDS else name


def _told(vehicle: Vehicle, name: str) -> str:
    known = _known(vehicle, name)
    if known is None:
        return _words(name)
    words, unit, digits = _WORDS[name]
    if 2.0 * known.sd >= known.value:  # a mass that may be anything
        return f"{words} unknown"
    return f"{words} {known.value:.{digits}f} ± {2.0 * known.sd:.{digits}f}{unit}"


def _known(vehicle: Vehicle, name: str) -> Known | None:
    """The number that stands for what was not given, where there is one."""
    from livemon.converter.derive import USUAL_COUPLING, USUAL_TORQUE_RATIO  # numpy

    stall = stall_point(vehicle)
    values = {
        "body.mass_kg": vehicle.mass_kg,
        "body.drag_area_m2": vehicle.drag_area_m2,
        "body.rolling_resistance": vehicle.rolling_resistance,
        "driveline.efficiency": vehicle.efficiency,
        "engine.inertia_kg_m2": vehicle.inertia_kg_m2,
        "converter.stall_torque_ratio": Known(*USUAL_TORQUE_RATIO),
        "converter.coupling_speed_ratio": Known(*USUAL_COUPLING),
    }
    if stall is not None:
        values |= {"converter.stall_speed_rpm": stall.rpm, "converter.stall_torque_nm": stall.torque_nm}
    return values.get(name)
