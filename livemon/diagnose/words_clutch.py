"""The sentences about slip: of the converter clutch, and of a gear."""

from __future__ import annotations

from typing import Final

from livemon.diagnose.lockup_sums import mean_slip_rpm, most_slip_rpm, slip_per_100_nm
from livemon.diagnose.report_evidence import numbers
from livemon.diagnose.said import Said
from livemon.diagnose.seen import Seen

_HARDLY_S: Final = 2.0


def gear(d: Seen) -> Said:
    """Which gear slips, and how that shows."""
    n = numbers(d, "gear_slip")
    if "turbine_ahead_pct" not in n:
        return Said(
            f"In gear {n['gear']} slip is more than converter and clutch account for; the other gears fit "
            "their ratios."
        )
    ahead = f"the turbine ran {n['turbine_ahead_pct']} % ahead of road speed times ratio"
    if not n["turbine_told"]:
        ahead = f"slip was more than converter and clutch account for, as if {ahead},"
    too = "".join(f"gear {gear} slips likewise, " for gear in d.lockup_watch.slipping_gears[1:])
    return Said(
        f"In gear {n['gear']} {ahead} for {n['gear_slipping_s']} s at {n['torque_nm']} N m of engine torque "
        f"on average; {too}the other gears fit their ratios."
    )


def clutch(d: Seen) -> Said | None:
    """Slip with the clutch carrying torque."""
    watch = d.lockup_watch
    mean = mean_slip_rpm(watch.by_gear)
    if mean is None:
        return None
    above_s = watch.totals.slipping_s
    told = "holds" if d.vehicle.lockup_slip_target_rpm is not None else "may hold (assumed)"
    hardly = above_s < _HARDLY_S
    length = "it was hardly ever" if hardly else f"for {above_s:.0f} s it was"
    text = (
        f"In {watch.totals.applied_s:.0f} s with the converter clutch carrying torque slip averaged "
        f"{mean:.0f} rpm; {length} clearly more than the {watch.target_rpm:.0f} rpm a control {told}."
    )
    return Said(text, "for" if hardly and mean <= watch.target_rpm else "neither")


def never(d: Seen) -> list[Said | None]:
    """That the clutch does not come on, and for how long it looked as if it had."""
    seen = d.lockup_watch.totals
    if seen.denied_s > seen.open_cruise_s:
        told = (
            f"For {seen.denied_s:.0f} s its control said that the converter clutch was applied; slip stayed "
            "what an open converter shows."
        )
    else:
        told = (
            f"The converter clutch stayed open for {seen.open_cruise_s:.0f} s of steady cruise above 65 km/h "
            "in fourth gear or higher."
        )
    if seen.applied_s < _HARDLY_S:
        return [Said(told)]
    seemed = f"The converter clutch seemed to carry torque for {seen.applied_s:.0f} s in all."
    return [Said(told), Said(seemed, "against" if seen.applied_s > seen.open_cruise_s else "neither")]


def slip(d: Seen) -> Said:
    """How long slip stood above target, how far, and how it goes with load."""
    watch = d.lockup_watch
    most, growth = most_slip_rpm(watch.by_gear), slip_per_100_nm(watch.by_gear, d.torque_nm)
    mean = mean_slip_rpm(watch.by_gear)
    text = f"Slip was clearly more than a control would hold for {watch.totals.slipping_s:.0f} s"
    if mean is not None and most is not None:
        text = (
            f"In {watch.totals.applied_s:.0f} s with the converter clutch carrying torque slip averaged "
            f"{mean:.0f} rpm, {most:.0f} at most; it was clearly more than a control would hold for "
            f"{watch.totals.slipping_s:.0f} s"
        )
    if growth is not None:
        text += (
            f", and {'rose' if growth >= 0 else 'fell'} with load by {abs(growth):.0f} rpm for each 100 N m"
        )
    return Said(f"{text}.")
