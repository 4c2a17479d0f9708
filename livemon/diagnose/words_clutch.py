"""The sentences about slip: of the converter clutch, and of a gear."""

from __future__ import annotations

from typing import TYPE_CHECKING

from livemon.diagnose.lockup_sums import mean_slip_rpm, most_slip_rpm, slip_per_100_nm
from livemon.diagnose.report_evidence import numbers

if TYPE_CHECKING:
    from livemon.diagnose.diagnoser import Diagnoser


def gear(d: Diagnoser) -> str:
    """Which gear slips, and how that shows."""
    n = numbers(d, "gear_slip")
    if "turbine_ahead_pct" in n:
        return (
            f"In gear {n['gear']} the turbine ran {n['turbine_ahead_pct']} % ahead of road speed times "
            f"ratio for {n['gear_slipping_s']} s; the other gears fit their ratios."
        )
    return (
        f"In gear {n['gear']} the capacity factor K fits a turbine running faster than road speed and "
        "ratio give; the other gears fit their ratios."
    )


def clutch(d: Diagnoser) -> str | None:
    """Slip with the clutch on."""
    watch = d.lockup_watch
    mean, most = mean_slip_rpm(watch.by_gear), most_slip_rpm(watch.by_gear)
    if mean is None or most is None:
        return None
    return (
        f"With the converter clutch on for {watch.totals.applied_s:.0f} s slip averaged {mean:.0f} rpm "
        f"(target about {watch.target_rpm:.0f} rpm, most {most:.0f} rpm)."
    )


def never(d: Diagnoser) -> str:
    """That the clutch does not come on."""
    seen = d.lockup_watch.totals
    if seen.denied_s > seen.open_cruise_s:
        return (
            f"For {seen.denied_s:.0f} s its control said that the converter clutch was applied; slip stayed "
            "what an open converter shows."
        )
    return (
        f"The converter clutch was on for {seen.applied_s:.0f} s in all, although the drive held "
        f"{seen.open_cruise_s:.0f} s of steady cruise above 65 km/h in third gear or higher."
    )


def slip(d: Diagnoser) -> str:
    """How long slip stood above target, and how it goes with load."""
    watch = d.lockup_watch
    growth = slip_per_100_nm(watch.by_gear, d.torque_nm)
    tail = "" if growth is None else f", changing by {growth:+.0f} rpm for each 100 N m"
    return f"Slip stood above target for {watch.totals.slipping_s:.0f} s{tail}."
