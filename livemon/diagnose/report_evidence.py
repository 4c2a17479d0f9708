"""Evidence as numbers: what goes with each finding, the lockup summary, and what could not be judged."""

from __future__ import annotations

from math import exp, hypot, log
from typing import TYPE_CHECKING, Final

from livemon.converter.engine_torque import gain_sd
from livemon.diagnose.lockup_schedule import WARM_C
from livemon.diagnose.lockup_sums import mean_slip_rpm, most_slip_rpm, slip_per_100_nm
from livemon.diagnose.nuisance import State
from livemon.quantities import STANDARD_GRAVITY_M_S2
from livemon.records import Finding, FindingName
from livemon.vehicle import weighed

if TYPE_CHECKING:
    from livemon.diagnose.diagnoser import Diagnoser

Evidence = dict[str, float | int | str | None]

_SHAKES_SEEN: Final = 8  # blocks of two seconds with the clutch on: shaking of any frequency would have shown


def finding(d: Diagnoser, name: FindingName, probability: float) -> Finding:
    """One fault with its numbers and when it was seen."""
    first_s, last_s = _when(d, name)
    evidence: Evidence = {
        "probability": round(probability, 4),
        "ln_evidence_against_sound": round(d.evidence()[name], 2),
    }
    evidence |= numbers(d, name)
    codes = d.codes.bearing_on(name)
    if codes:
        evidence["trouble_codes"] = " ".join(codes)
    return Finding(name, round(first_s, 3), round(last_s, 3), evidence)


def numbers(d: Diagnoser, name: FindingName) -> Evidence:
    if name == "gear_slip":
        return gear_slip(d)
    if name in ("stator_not_holding", "stator_seized", "engine_low_output", "driveline_drag"):
        row = d.bank.rows[d.bank.best_row(name)]
        out: Evidence = {}
        for label, field, regime in (
            ("launch_r_k", "r_k", "launch"),
            ("launch_r_t", "r_t", "launch"),
            ("pull_r_k", "r_k", "pull"),
            ("pull_r_t", "r_t", "pull"),
            ("locked_r_t", "r_t", "locked"),
        ):
            fact = d.stretches.facts.mean(field, regime)
            if fact is not None:
                out[label], out[f"{label}_sd"] = round(fact.mean, 3), round(fact.sd, 3)
        if name == "stator_not_holding":
            out["reaction_lost_pct"] = round(100.0 * row.lost)
        elif name == "engine_low_output":
            made, sd = d.bank.size(name, State.GAIN)
            sd = hypot(sd, gain_sd(d.torque_source))  # what the torque signal itself is off by
            out["torque_made_of_seen_pct"] = round(100.0 * exp(made))
            out["torque_made_of_seen_sd_pct"] = round(100.0 * exp(made) * sd)
            best = d.full_pedal.best
            if best is not None:
                out["full_pedal_torque_of_rated_pct"] = round(100.0 * best[0].share)
        elif name == "driveline_drag":
            drag, sd = d.bank.size(name, State.ROLLING)
            weight_n = d.vehicle.mass_kg.value * STANDARD_GRAVITY_M_S2
            out["extra_force_n"] = round(drag * weight_n)
            out["extra_force_sd_n"] = round(sd * weight_n)
        return out
    if name == "lockup_shudder":
        firm = d.shudder.firm
        strongest = max(firm, key=lambda e: e.amplitude_rpm, default=None)
        return {
            "episodes": len(firm),
            "frequency_hz": None if strongest is None else round(strongest.frequency_hz, 2),
            "amplitude_rpm": None if strongest is None else round(strongest.amplitude_rpm, 1),
            "stopped_at_release": sum(e.stopped_at_release for e in firm),
            "smallest_false_alarm_probability": min((e.false_alarm_probability for e in firm), default=None),
            "shaking_most_rpm": round(d.shakes.on.strongest_rpm, 1),
            "shaking_clutch_on_pct": round(100.0 * d.shakes.on.share),
            "shaking_clutch_open_pct": round(100.0 * d.shakes.open.share) if d.shakes.open.count else None,
            "ln_evidence_of_half_order": round(d.shakes.order, 1),
        }
    return lockup(d)


def _when(d: Diagnoser, name: FindingName) -> tuple[float, float]:
    if name == "lockup_shudder" and d.shudder.firm:
        return d.shudder.firm[0].first_s, d.shudder.firm[-1].last_s
    if name == "lockup_slip" and d.lockup_watch.by_gear:
        gears = d.lockup_watch.by_gear.values()
        return min(g.first_s for g in gears), max(g.last_s for g in gears)
    if name == "lockup_never_applied" and d.lockup_watch.totals.cruise_first_s is not None:
        return d.lockup_watch.totals.cruise_first_s, d.lockup_watch.totals.cruise_last_s
    if name == "engine_low_output" and d.full_pedal.log_evidence > log(3.0):
        best = d.full_pedal.best
        if best is not None:
            return best[0].first_s, best[0].last_s
    wanted = {"stator_not_holding": ("launch",), "stator_seized": ("pull",)}.get(
        name, ("launch", "pull", "locked", "coast")
    )
    seen = [r for r in d.stretches.records if r.details["regime"] in wanted]
    if not seen:
        return d.first_shown_s.get(name, 0.0), d.time_s
    return seen[0].start_s, seen[-1].end_s


def gear_slip(d: Diagnoser) -> Evidence:
    """Which gear slips; where the vehicle tells turbine speed, also by how much and for how long."""
    watch = d.lockup_watch
    gear, shafts = watch.slipping_gear, watch.shafts
    if gear is None or not shafts.seen or not shafts.slipped_s[gear - 1]:
        return {"gear": gear}
    return {
        "gear": gear,
        "turbine_ahead_pct": round(100.0 * shafts.ahead[gear - 1], 1),
        "gear_slipping_s": round(shafts.slipped_s[gear - 1], 1),
    }


def lockup(d: Diagnoser) -> Evidence:
    """What was seen of the converter clutch."""
    watch, shudder = d.lockup_watch, d.shudder
    totals, gears = watch.totals, watch.by_gear
    mean, most = mean_slip_rpm(gears), most_slip_rpm(gears)
    growth = slip_per_100_nm(gears, d.torque_nm)
    return {
        "applied_s": round(totals.applied_s, 1),
        "applied_under_load_s": round(totals.loaded_s, 1),
        "slip_target_rpm": round(watch.target_rpm, 1),
        "mean_slip_rpm": None if mean is None else round(mean, 1),
        "most_slip_rpm": None if most is None else round(most, 1),
        "slip_growth_rpm_per_100_nm": None if growth is None else round(growth, 1),
        "slipping_s": round(totals.slipping_s, 1),
        "open_in_steady_cruise_s": round(totals.open_cruise_s, 1),
        "open_though_said_applied_s": round(totals.denied_s, 1),
        "shudder_episodes": len(shudder.firm),
        "shudder_visible_up_to_hz": round(shudder.highest_visible_hz, 1) or None,
        "shudder_could_be_seen": int(shudder.can_be_seen),
    }


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
    elif not d.presence.seen:
        lines.append(
            "nothing about the converter: it was not seen at work (open, engine driving) for long enough"
        )
    if not d.torque_source:
        lines.append(
            "stator, engine output and torque balance: no engine torque was reported and none could be "
            "worked out (PIDs 61 to 64, mass air flow or absolute load)"
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
