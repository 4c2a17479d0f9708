"""Evidence as numbers: what goes with each finding, and the lockup summary."""

from __future__ import annotations

from math import exp, hypot, log
from typing import assert_never

from livemon.converter.engine_torque import gain_sd
from livemon.diagnose import weigh
from livemon.diagnose.lockup_sums import mean_slip_rpm, most_slip_rpm, slip_per_100_nm
from livemon.diagnose.nuisance import State
from livemon.diagnose.seen import Seen
from livemon.quantities import STANDARD_GRAVITY_M_S2
from livemon.records import Finding, FindingName

Evidence = dict[str, float | int | str | None]


def finding(d: Seen, name: FindingName, probability: float) -> Finding:
    """One fault with its numbers and when it was seen."""
    first_s, last_s = _when(d, name)
    evidence: Evidence = {
        "probability": round(probability, 4),
        "ln_evidence_against_sound": round(weigh.evidence(d)[name], 2),
    }
    evidence |= numbers(d, name)
    codes = d.codes.bearing_on(name)
    if codes:
        evidence["trouble_codes"] = " ".join(codes)
    return Finding(name, round(first_s, 3), round(last_s, 3), evidence)


def numbers(d: Seen, name: FindingName) -> Evidence:
    """What goes with one fault."""
    match name:
        case "gear_slip":
            return gear_slip(d)
        case "lockup_shudder":
            return _shudder(d)
        case "lockup_slip" | "lockup_never_applied":
            return lockup(d)
        case "stator_not_holding":
            row = d.bank.rows[d.bank.best_row(name)]
            return _road(d) | {"reaction_lost_pct": round(100.0 * row.lost)}
        case "stator_seized":
            return _road(d)
        case "engine_low_output":
            return _road(d) | _engine(d)
        case "driveline_drag":
            drag, sd = d.bank.size(name, State.ROLLING)
            weight_n = d.vehicle.mass_kg.value * STANDARD_GRAVITY_M_S2
            return _road(d) | {
                "extra_force_n": round(drag * weight_n), "extra_force_sd_n": round(sd * weight_n),
            }  # fmt: skip
        case "none" | "not_enough_evidence":
            return {}
        case _:
            assert_never(name)


def _road(d: Seen) -> Evidence:
    """Mean K and torque ratio of the regimes that tell them."""
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
    return out


def _engine(d: Seen) -> Evidence:
    made, sd = d.bank.size("engine_low_output", State.GAIN)
    sd = hypot(sd, gain_sd(d.torque_source))  # what the torque signal itself is off by
    out: Evidence = {
        "torque_made_of_seen_pct": round(100.0 * exp(made)),
        "torque_made_of_seen_sd_pct": round(100.0 * exp(made) * sd),
    }
    best = d.full_pedal.best
    if best is not None:
        out["full_pedal_torque_of_rated_pct"] = round(100.0 * best[0].share)
    return out


def _shudder(d: Seen) -> Evidence:
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


def _when(d: Seen, name: FindingName) -> tuple[float, float]:
    if name == "lockup_shudder" and d.shudder.firm:
        return d.shudder.firm[0].first_s, d.shudder.firm[-1].last_s
    if name == "gear_slip" and (slipped := d.lockup_watch.slipped) is not None:
        return slipped.first_s, slipped.last_s
    clutch = d.lockup_watch.totals
    if name == "lockup_slip" and clutch.slipping_first_s is not None:
        return clutch.slipping_first_s, clutch.slipping_last_s
    if name == "lockup_never_applied" and clutch.cruise_first_s is not None:
        return clutch.cruise_first_s, clutch.cruise_last_s
    if name == "engine_low_output" and d.full_pedal.log_evidence > log(3.0):
        best = d.full_pedal.best
        if best is not None:
            return best[0].first_s, best[0].last_s
    wanted = {"stator_not_holding": ("launch",), "stator_seized": ("pull",)}.get(
        name, ("launch", "pull", "locked", "coast")
    )
    seen = [r for r in d.stretches.records if r.regime in wanted]
    if not seen:
        return d.first_shown_s.get(name, 0.0), d.time_s
    return seen[0].start_s, seen[-1].end_s


def gear_slip(d: Seen) -> Evidence:
    """Which gear slips, by how much, for how long and at what torque."""
    watch = d.lockup_watch
    seen, gear = watch.slipped, next(iter(watch.slipping_gears), None)
    if seen is None:
        return {"gear": gear}
    return {
        "gear": gear,
        "turbine_ahead_pct": round(100.0 * seen.ahead, 1),
        "gear_slipping_s": round(seen.seconds_s, 1),
        "torque_nm": round(seen.torque_nm),
        "turbine_told": int(watch.shafts.seen),
    }


def lockup(d: Seen) -> Evidence:
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
