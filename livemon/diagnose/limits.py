"""What this drive or this vehicle file leaves out of reach, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from livemon.diagnose.lockup_schedule import WARM_C
from livemon.vehicle import weighed

if TYPE_CHECKING:
    from livemon.diagnose.diagnoser import Diagnoser

_SHAKES_SEEN: Final = 8  # blocks of two seconds with the clutch on: shaking of any frequency would have shown
_REFERENCE: Final = (0.8, 1.7)  # of peak torque: what control units refer to. Common practice, no source


def wrong_rating(d: Diagnoser) -> tuple[float, float] | None:
    """(reference torque told, peak of the vehicle file) [N m], where they can hardly be of one engine."""
    told_nm, rated_nm = d.reference_nm, d.vehicle.peak_torque_nm
    if told_nm is None or rated_nm is None or _REFERENCE[0] < told_nm / rated_nm < _REFERENCE[1]:
        return None
    return told_nm, rated_nm


def needs_ratios(d: Diagnoser) -> bool:
    """Whether gear ratios, or the right ones, are what is missing: not a drive."""
    unknown = not d.vehicle.gear_ratios and not d.presence.seen and not d.presence.clutch_car
    return unknown or d.file_fit.final_drive is not None


def cannot_judge(d: Diagnoser) -> list[str]:
    """What is out of reach, and why."""
    lines: list[str] = []
    final_drive = d.file_fit.final_drive
    if final_drive is not None:
        lines.append(
            "anything at all: engine speed and road speed fit none of the vehicle file's gears; with a final "
            f"drive of {final_drive[1]:.2f} instead of {final_drive[0]:.2f} they would (check ratios, final "
            "drive and tyre)"
        )
    if not d.ratio_seen:
        lines.append(
            "nothing about the converter: turbine speed is neither broadcast nor could it be found from "
            "road speed and gear (give gear ratios, final drive and tyre in the vehicle file)"
        )
    elif d.presence.clutch_car:
        lines.append(
            f"nothing about a converter: in first gear the engine turned with the wheels, without slip, for "
            f"{d.presence.first_gear_solid_s:.0f} s of power, which a converter cannot do"
        )
    elif final_drive is None and needs_ratios(d):
        lines.append(
            "nothing about the converter: the vehicle file gives no gear ratios, and this drive was too "
            "short or held too few gears for finding them"
        )
    elif final_drive is None and not d.presence.seen:
        lines.append(
            "nothing about the converter: it was not seen at work (open, engine driving) for long enough"
        )
    if not d.torque_source:
        lines.append(
            "stator, engine output and torque balance: no engine torque was reported and none could be "
            "worked out (PIDs 62 and 63, mass air flow or absolute load; of a diesel its fuel rate)"
        )
        lines.append(
            "whether a converter clutch that slips comes on at all: without torque an open converter looks "
            "like a worn clutch"
        )
    elif d.torque_source != "reported":
        lines.append(
            f"engine torque is worked out from {d.torque_source.replace('_', ' ')}: losses under about 20 "
            "% are not shown"
        )
    if not weighed(d.vehicle):
        lines.append(
            "engine output and driveline drag: no mass in the vehicle file, and a vehicle that speaks "
            "J1939 may weigh anything (give body.mass_kg as driven, load included)"
        )
    if "converter.stall_speed_rpm" in d.curves.assumed and not d.vehicle.curve:
        lines.append(
            "the level of the capacity factor: no stall speed in the vehicle file, so the stator is judged "
            "by torque ratio and by the shape of K only"
        )
    if d.shudder.blind_s > 0.0 and not d.shudder.can_be_seen and d.shakes.on.count < _SHAKES_SEEN:
        lines.append(
            f"shudder: engine speed was read too slowly while the clutch was on; swings above "
            f"{d.shudder.highest_visible_hz:.1f} Hz do not show, and too few readings lie near enough to one "
            "another to show that something shakes"
        )
    if d.ratios_found:
        lines.append(
            "steady slip of the converter clutch or of one gear: the vehicle file gives no gear ratios, and "
            "those found in this drive hold whatever slipped all along"
        )
    elif d.lockup_watch.totals.cold_cruise_s > 15.0 and d.lockup_watch.totals.applied_s < 4.0:
        lines.append(
            f"whether the converter clutch comes on: the coolant was below {WARM_C:.0f} °C for "
            f"{d.lockup_watch.totals.cold_cruise_s:.0f} s of cruise with it open, and most controls keep "
            "it off until warm"
        )
    elif d.lockup_watch.totals.applied_s < 4.0 and d.lockup_watch.totals.open_cruise_s < 15.0:
        lines.append("the converter clutch: not seen on under power, and no steady cruise called for it")
    if d.full_pedal.best is None:
        lines.append(
            "torque against rating: no full-pedal stretch with pedal, torque and a rating to compare"
        )
    if d.codes.suspect_speeds:
        lines.append(f"speeds are suspect: {', '.join(d.codes.suspect_speeds)} stored (shaft speed sensor)")
    return lines
