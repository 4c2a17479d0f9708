"""What this drive or this vehicle file leaves out of reach, and why."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from livemon.diagnose import weigh
from livemon.diagnose.lockup_schedule import WARM_C
from livemon.diagnose.said import TESTED
from livemon.diagnose.seen import Seen
from livemon.records import FindingName
from livemon.vehicle import weighed

_SHAKES_SEEN: Final = 8  # blocks of two seconds with the clutch on: shaking of any frequency would have shown
_NEVER: Final[FindingName] = "lockup_never_applied"
_REFERENCE: Final = (0.8, 1.7)  # of peak torque: what control units refer to. Common practice, no source


def untested(d: Seen) -> list[FindingName]:
    """Faults the drive did not speak against: it did not contain what would show them."""
    names = [n for n, value in weigh.evidence(d).items() if value > TESTED and n not in ("none", _NEVER)]
    return [*names, _NEVER] if d.lockup_watch.totals.hardly_applied else names


def wrong_rating(d: Seen) -> tuple[float, float] | None:
    """(reference torque told, peak of the vehicle file) [N m], where they can hardly be of one engine."""
    told_nm, rated_nm = d.reference_nm, d.vehicle.peak_torque_nm
    if told_nm is None or rated_nm is None or _REFERENCE[0] < told_nm / rated_nm < _REFERENCE[1]:
        return None
    return told_nm, rated_nm


def needs_ratios(d: Seen) -> bool:
    """Whether gear ratios, or the right ones, are what is missing: not a drive."""
    unknown = not d.vehicle.gear_ratios and not d.presence.seen and not d.presence.clutch_car
    return unknown or d.file_fit.final_drive is not None


def cannot_judge(d: Seen) -> list[str]:
    """What is out of reach, and why."""
    lines = [*_of_converter(d), *_of_torque(d), *_of_clutch(d)]
    if d.codes.suspect_speeds:
        lines.append(f"speeds are suspect: {', '.join(d.codes.suspect_speeds)} stored (shaft speed sensor)")
    return lines


def _of_converter(d: Seen) -> Iterator[str]:
    final_drive = d.file_fit.final_drive
    if final_drive is not None:
        yield (
            "anything at all: engine speed and road speed fit none of the vehicle file's gears; with a final "
            f"drive of {final_drive[1]:.2f} instead of {final_drive[0]:.2f} they would (check ratios, final "
            "drive and tyre)"
        )
    if not d.ratio_seen:
        yield (
            "the converter: turbine speed is neither broadcast nor could it be found from road speed and "
            "gear (give gear ratios, final drive and tyre in a vehicle file)"
        )
    elif d.presence.clutch_car:
        yield (
            f"a converter: in first gear the engine turned with the wheels, without slip, for "
            f"{d.presence.first_gear_solid_s:.0f} s of power, which a converter cannot do"
        )
    elif final_drive is None and needs_ratios(d) and not d.ratios_found:
        yield (
            "the converter: gear ratios, final drive or tyre are not given, and this drive was too short or "
            "held too few gears for finding what is missing"
        )
    elif final_drive is None and not d.presence.seen:
        yield "the converter: it was not seen at work (open, engine driving) for long enough"


def _of_torque(d: Seen) -> Iterator[str]:
    if not d.torque_source:
        yield (
            "stator, engine output and torque balance: no engine torque was reported and none could be "
            "worked out (PIDs 62, 63 and 8E, mass air flow, absolute load, of a diesel fuel rate, or "
            "calculated load and a torque curve in the vehicle file)"
        )
        yield (
            "whether a converter clutch that slips comes on at all: without torque an open converter looks "
            "like a worn clutch"
        )
    elif d.torque_source != "reported":
        yield (
            "losses of engine torque under about 20 %: it is worked out from "
            f"{d.torque_source.replace('_', ' ')}"
        )
    if not weighed(d.vehicle):
        yield (
            "engine output and driveline drag: no mass is given, and a vehicle that speaks J1939 may weigh "
            "anything (give body.mass_kg as driven, load included)"
        )
    if "converter.stall_speed_rpm" in d.curves.assumed and not d.vehicle.curve:
        yield (
            "the level of the capacity factor: no stall speed is given, so the stator is judged by torque "
            "ratio and by the shape of K only"
        )
    if d.full_pedal.best is None:
        yield "torque against rating: no full-pedal stretch with pedal, torque and a rating to compare"


def _of_clutch(d: Seen) -> Iterator[str]:
    totals = d.lockup_watch.totals
    if d.shudder.blind_s > 0.0 and not d.shudder.can_be_seen and d.shakes.on.count < _SHAKES_SEEN:
        yield (
            f"shudder: engine speed was read too slowly while the clutch was on; swings above "
            f"{d.shudder.highest_visible_hz:.1f} Hz do not show, and too few readings lie near enough to one "
            "another to show that something shakes"
        )
    if d.ratios_found:
        yield (
            "slip of one gear, or slip of the converter clutch that is the same at every load: gear ratios "
            "or final drive are not given, and what this drive showed of them holds whatever slipped all "
            "along"
        )
    if totals.cold_cruise_s > weigh.CRUISE_S and totals.hardly_applied:
        yield (
            f"whether the converter clutch comes on: the coolant was below {WARM_C:.0f} °C for "
            f"{totals.cold_cruise_s:.0f} s of cruise with it open, and most controls keep it off until warm"
        )
    elif totals.hardly_applied and totals.open_cruise_s < weigh.CRUISE_S:
        yield (
            f"the converter clutch: seen on under power for {totals.applied_s:.0f} s, and open in steady "
            f"cruise, which calls for it, for {totals.open_cruise_s:.0f} s"
        )
