"""The sentences of the call: what speaks for it, what against it, what to check next."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import exp
from typing import TYPE_CHECKING, Final

from livemon.diagnose import alternatives, decide, facts, strain
from livemon.diagnose.checks import CHECKS
from livemon.diagnose.report_evidence import numbers
from livemon.diagnose.words_clutch import clutch, gear, never, slip
from livemon.diagnose.words_shake import TELLS_ORDER, shakes, shudder
from livemon.records import FindingName

if TYPE_CHECKING:
    from livemon.diagnose.diagnoser import Diagnoser

TITLES: Final[dict[str, str]] = {
    "none": "no fault",
    "stator_not_holding": "stator not holding",
    "stator_seized": "stator seized",
    "lockup_shudder": "converter clutch shudder",
    "lockup_slip": "converter clutch slipping",
    "lockup_never_applied": "converter clutch not coming on",
    "gear_slip": "a gear element slipping",
    "engine_low_output": "low engine output",
    "driveline_drag": "driveline drag or load",
}

_SURE_SD: Final = 0.15  # of torque with the clutch on; worse known, agreement is only not knowing


def because(d: Diagnoser, name: FindingName, p: Mapping[FindingName, float]) -> list[str]:
    """Sentences for the call, strongest first."""
    lines: list[str] = []
    if name == "not_enough_evidence":
        lines.append(_split(p))
        lines += d.cannot_judge
    elif name == "none":
        lines += [s for s in (_launch_k(d), _launch_t(d), _locked(d, name), _coast(d), clutch(d)) if s]
    elif name == "stator_not_holding":
        lines += [s for s in (_launch_k(d), _launch_t(d), _locked(d, name), _fades(d)) if s]
    elif name == "stator_seized":
        lines += [s for s in (_pull(d), _launch_k(d), _locked(d, name)) if s]
    elif name == "engine_low_output":
        told = _full_pedal(d)
        low = d.full_pedal.best is not None and d.full_pedal.log_evidence > 0.0
        road = (_made(d), _locked(d, name), _launch_t(d, "at launch"))
        lines += [s for s in ((told, *road) if low else road) if s]
        if told and not low:  # what the cylinders lose need not show in what is reported
            lines.append(f"The loss is not in what the engine reports: {told[0].lower()}{told[1:]}")
    elif name == "driveline_drag":
        lines += [s for s in (_drag(d), _coast(d), _locked(d, name), _launch_k(d)) if s]
    elif name == "gear_slip":
        lines += [s for s in (gear(d), _launch_k(d)) if s]
    elif name == "lockup_shudder":
        lines += shudder(d)
    elif name == "lockup_slip":
        lines += [s for s in (clutch(d), slip(d)) if s]
    elif name == "lockup_never_applied":
        lines.append(never(d))
    misfit = strain.strained(d.stretches.facts) if name == "not_enough_evidence" else None
    if misfit is not None:
        lines += [s for s in (_TELLS[misfit.field, misfit.regime](d),) if s]
    if name in ("none", "not_enough_evidence", "lockup_shudder") and not d.shudder.firm:
        lines += shakes(d)
    for code in d.codes.bearing_on(name):
        lines.append(f"{code} ({d.codes.names[code]}) is stored; it counts as evidence, not as the verdict.")
    return lines


def against(d: Diagnoser, name: FindingName, p: Mapping[FindingName, float]) -> list[str]:
    """Sentences against the call: rival causes, what was not driven, what was assumed."""
    lines: list[str] = []
    called = name if name != "not_enough_evidence" else "none"
    for rival in sorted((n for n in p if n != called), key=lambda n: -p[n])[:2]:
        if p[rival] >= 0.08:
            title = "A sound vehicle" if rival == "none" else TITLES[rival].capitalize()
            lines.append(
                f"{title} remains possible ({100 * p[rival]:.0f} %); "
                f"{alternatives.separating(called, rival)} would tell."
            )
    if (
        name == "lockup_shudder"
        and d.shakes.order > -TELLS_ORDER
        and not any(e.stopped_at_release for e in d.shudder.firm)
    ):
        lines.append("The clutch was not seen to release while it shook, so misfire is not excluded.")
    if name == "lockup_shudder":
        orders = [e.engine_order for e in d.shudder.firm if e.engine_order is not None]
        if orders:
            lines.append(
                f"In {len(orders)} episodes the swing followed engine speed (order {orders[0]:.1f}), as "
                "misfire does."
            )
    if name == "stator_not_holding" and d.stretches.facts.mean("r_t", "locked") is None:
        lines.append(
            "No locked pull was driven, so engine output was not tested with the converter out of the path."
        )
    if name == "lockup_never_applied" and p["lockup_slip"] < 0.5:
        lines.append("A converter clutch that comes on but holds next to nothing looks the same.")
    if name == "none":
        untested = [TITLES[n] for n in decide.untested(d)]
        if untested:
            lines.append(f"This drive did not test: {', '.join(untested)}.")
    if d.vehicle.assumed and d.torque_source:
        lines.append(f"Assumed, not from the vehicle file: {', '.join(d.vehicle.assumed)}.")
    if name not in ("not_enough_evidence",):
        lines += [f"Not judged: {line}." for line in d.cannot_judge]
    return lines


def check_next(d: Diagnoser, name: FindingName, p: Mapping[FindingName, float]) -> list[str]:
    """What to do next, cheapest and least invasive first."""
    if name != "not_enough_evidence":
        return [_sentence(line) for line in CHECKS[name]]
    ranked = sorted((n for n in p if n != "none"), key=lambda n: -p[n])
    wanted = [alternatives.showing(n) for n in decide.untested(d)] or [alternatives.showing(ranked[0])]
    if p[ranked[0]] > 0.2:
        second = "none" if p["none"] > p[ranked[1]] else ranked[1]
        wanted.insert(0, alternatives.separating(second, ranked[0]))
    if d.shudder.blind_s > 0.0 and not d.shudder.can_be_seen:
        wanted.append(alternatives.FASTER)
    drive = [f"Drive again with {line}." for line in dict.fromkeys(wanted)]
    return [_sentence(CHECKS["none"][0]), *drive]


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + "."


def _split(p: Mapping[FindingName, float]) -> str:
    ranked = sorted(p, key=lambda n: -p[n])[:3]
    return (
        "The evidence leaves it open: " + ", ".join(f"{TITLES[n]} {100 * p[n]:.0f} %" for n in ranked) + "."
    )


def _pct(log_ratio: float) -> str:
    change = 100.0 * (exp(log_ratio) - 1.0)
    return f"{abs(change):.0f} % {'above' if change >= 0 else 'below'}"


def _two(sd: float, log_ratio: float = 0.0) -> str:
    """Two standard deviations, as every ± of livemon; of a ratio told by its logarithm in per cent of 1."""
    return f"± {200 * sd * exp(log_ratio):.0f} %"


def _twice(sd: float | int | str | None) -> str:
    return f"{2 * sd:.0f}" if isinstance(sd, int | float) else "not known"


def _launch_k(d: Diagnoser) -> str | None:
    seen = d.stretches.facts.mean("r_k", "launch")
    if seen is None:
        return None
    lost = facts.detail_mean(d.stretches.records, "r_k_if_reaction_lost", "launch")
    tail = f"; without stator reaction it would be {_pct(lost.mean)}" if lost else ""
    return (
        f"Over {seen.stretches} launch{'es' if seen.stretches > 1 else ''} at speed ratios below 0.65 the "
        "capacity factor K was "
        f"{_pct(seen.mean)} this converter's curve ({_two(seen.sd, seen.mean)}){tail}."
    )


def _launch_t(d: Diagnoser, where: str = "") -> str | None:
    """Torque from the road; `where` in place of the launches a sentence before it has named."""
    seen = d.stretches.facts.mean("r_t", "launch")
    if seen is None:
        return None
    if not where and d.stretches.facts.mean("r_k", "launch") is None:
        where = "at launch"
    lost = facts.detail_mean(d.stretches.records, "r_t_if_reaction_lost", "launch")
    tail = f"; with a torque ratio of 1 it would be {_pct(lost.mean)}" if lost else ""
    return (
        f"Turbine torque found from the road {where or 'in those launches'} was {_pct(seen.mean)} what pump "
        f"torque and torque ratio give ({_two(seen.sd, seen.mean)}){tail}."
    )


def _locked(d: Diagnoser, name: FindingName) -> str | None:
    """Wheel torque against engine torque; it exonerates only where it is known well enough to."""
    seen = d.stretches.facts.mean("r_t", "locked")
    if seen is None:
        return None
    off, sd = exp(seen.mean) - 1.0, seen.sd * exp(seen.mean)  # as they are shown
    if sd <= _SURE_SD and abs(off) <= _SURE_SD:
        verdict = "engine and road load agree"
        if name in ("stator_not_holding", "stator_seized"):
            verdict += ", so neither lost engine output nor drag explains the loss"
    elif abs(off) > 2.0 * sd:
        verdict = "engine torque and road load do not agree with the converter out of the path"
    else:
        verdict = "too uncertain to tell whether engine and road load agree"
    return (
        "With the converter clutch on, torque at the wheels found from the road was "
        f"{_pct(seen.mean)} engine torque ({_two(seen.sd, seen.mean)}): {verdict}."
    )


def _fades(d: Diagnoser) -> str | None:
    pull = d.stretches.facts.mean("r_k", "pull")
    if pull is None:
        return None
    return (
        f"In pulls nearer the coupling point K was {_pct(pull.mean)} the curve ({_two(pull.sd, pull.mean)})."
    )


def _pull(d: Diagnoser) -> str | None:
    k = d.stretches.facts.mean("r_k", "pull")
    t = d.stretches.facts.mean("r_t", "pull")
    if k is None or t is None:
        return None
    return (
        f"In {k.stretches} pulls with the clutch open K was {_pct(k.mean)} the curve ({_two(k.sd, k.mean)}) "
        "and turbine torque "
        f"from the road {_pct(t.mean)} the model ({_two(t.sd, t.mean)})."
    )


def _coast(d: Diagnoser) -> str | None:
    seen = facts.detail_mean(d.stretches.records, "excess_force_pct_of_weight", "coast")
    if seen is None or seen.seconds_s < 3.0:
        return None
    kind = "more" if seen.mean >= 0 else "less"
    return (
        f"Over {seen.seconds_s:.0f} s of coasting the vehicle was held back by {abs(seen.mean):.1f} % of "
        f"its weight {kind} "
        "than tyres and air account for (engine braking included)."
    )


def _full_pedal(d: Diagnoser) -> str | None:
    best = d.full_pedal.best
    if best is None:
        return None
    step, expected, sd = best
    return (
        f"With the pedal well down for {step.seconds_s:.0f} s the engine reported at most "
        f"{step.torque_nm:.0f} N m "
        f"({100 * step.share:.0f} % of its rating) at {step.rpm:.0f} rpm; a sound engine gives "
        f"{100 * expected:.0f} "
        f"{_two(sd)}."
    )


def _made(d: Diagnoser) -> str:
    n = numbers(d, "engine_low_output")
    return (
        f"Launch, pull and road load together fit an engine making {n['torque_made_of_seen_pct']} % of the "
        "torque it "
        f"reports (± {_twice(n['torque_made_of_seen_sd_pct'])} %)."
    )


def _drag(d: Diagnoser) -> str:
    n = numbers(d, "driveline_drag")
    return (
        f"All regimes together fit an extra retarding force of {n['extra_force_n']} N "
        f"(± {_twice(n['extra_force_sd_n'])} N)."
    )


_TELLS: Final[dict[tuple[str, str], Callable[[Diagnoser], str | None]]] = {
    ("r_k", "launch"): _launch_k,
    ("r_t", "launch"): lambda d: _launch_t(d, "at launch"),
    ("r_k", "pull"): _pull,
    ("r_t", "pull"): _pull,
    ("r_t", "locked"): lambda d: _locked(d, "not_enough_evidence"),
}
