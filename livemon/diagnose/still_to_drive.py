"""What is still to be driven, in a few words each: the manoeuvres that show what the drive has not tested."""

from __future__ import annotations

from collections.abc import Set
from typing import Final

from livemon.diagnose import alternatives, limits, weigh
from livemon.diagnose.seen import Seen
from livemon.quantities import CALL_FROM
from livemon.records import FindingName
from livemon.vehicle import weighed

_IN_SHORT: Final = {
    alternatives.LAUNCH: "a launch from rest at half pedal or more",
    alternatives.LOCKED_PULL: "a pull from 60 km/h, clutch kept locked",
    alternatives.OPEN_PULL: "a firm pull in 2nd or 3rd, clutch open",
    alternatives.COAST: "a coast-down in D, 60 to 20 km/h, no brakes",
    alternatives.CRUISE: "two minutes' level cruise at 80-100 km/h",
    alternatives.EACH_GEAR: "ten steady seconds in each gear",
}
# Faults that no manoeuvre shows: without torque; with gears that were found in this drive; without a mass.
_BY_TORQUE: Final[frozenset[FindingName]] = frozenset(
    ("stator_not_holding", "stator_seized", "engine_low_output", "driveline_drag")
)
_BY_RATIOS: Final[frozenset[FindingName]] = frozenset(("gear_slip",))


def still_to_drive(d: Seen, warned: Set[FindingName]) -> list[str]:
    """Each manoeuvre once; none that this vehicle or its file makes useless, or for what is warned of now."""
    if d.file_fit.off is not None or d.presence.clutch_car:
        return []
    if weigh.standing(d)["gear_slip"] >= CALL_FROM:  # it wears with every pull
        return []
    names = set(limits.untested(d)) - warned  # which has been shown
    if d.ratio_seen and not d.torque_source:
        names -= _BY_TORQUE
    if d.ratios_found:
        names -= _BY_RATIOS
    if not weighed(d.vehicle):
        names -= weigh.BY_MASS
    wanted = {alternatives.showing(name) for name in names}
    return [short for manoeuvre, short in _IN_SHORT.items() if manoeuvre in wanted]
