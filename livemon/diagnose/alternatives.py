"""What was not driven, and which manoeuvre would tell two causes apart."""

from __future__ import annotations

from typing import Final

LAUNCH: Final = "a launch from rest at half pedal or more on level road"
LOCKED_PULL: Final = (
    "a pull from about 60 km/h with the converter clutch locked (steady cruise first, then more pedal, "
    "no kick-down)"
)
OPEN_PULL: Final = "a firm pull in second or third gear up to the next upshift, converter clutch open"
COAST: Final = "a coast-down in drive from 60 to 20 km/h on level road, no brakes"
CRUISE: Final = "two minutes of level cruise at 80-100 km/h, fully warm, light pedal"
FASTER: Final = (
    "a level cruise at 80-100 km/h with the clutch on, engine speed asked at least 25 times a second"
)
EACH_GEAR: Final = "a steady stretch of ten seconds in each gear"

_SEPARATES: Final[dict[frozenset[str], str]] = {
    frozenset(("stator_not_holding", "engine_low_output")): LOCKED_PULL,
    frozenset(("stator_not_holding", "driveline_drag")): COAST,
    frozenset(("stator_not_holding", "gear_slip")): EACH_GEAR,
    frozenset(("stator_seized", "engine_low_output")): LOCKED_PULL,
    frozenset(("stator_seized", "driveline_drag")): COAST,
    frozenset(("stator_seized", "lockup_slip")): OPEN_PULL,
    frozenset(("engine_low_output", "driveline_drag")): COAST,
    frozenset(("lockup_slip", "lockup_never_applied")): CRUISE,
    frozenset(("lockup_slip", "gear_slip")): EACH_GEAR,
    frozenset(("lockup_slip", "lockup_shudder")): LOCKED_PULL,
}
SHOWS: Final[dict[str, str]] = {
    "stator_not_holding": LAUNCH,
    "stator_seized": OPEN_PULL,
    "lockup_shudder": CRUISE,
    "lockup_slip": LOCKED_PULL,
    "lockup_never_applied": CRUISE,
    "gear_slip": EACH_GEAR,
    "engine_low_output": LOCKED_PULL,
    "driveline_drag": COAST,
}


def separating(first: str, second: str) -> str:
    """The manoeuvre that would tell two findings apart; with none as one of them, the one that shows the
    other."""
    if "none" in (first, second):
        return SHOWS[second if first == "none" else first]
    return _SEPARATES.get(frozenset((first, second)), SHOWS[first])


def showing(finding: str) -> str:
    """The manoeuvre that shows one fault if it is there."""
    return SHOWS[finding]
