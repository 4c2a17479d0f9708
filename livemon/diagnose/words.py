"""The sentences of the call: what speaks for it, what against it, what to check next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, assert_never

from livemon.diagnose import alternatives, checks, strain, weigh, words_clutch, words_road
from livemon.diagnose.codes import MISFIRE
from livemon.diagnose.limits import cannot_judge, needs_ratios, untested, wrong_rating
from livemon.diagnose.said import Said, sentences
from livemon.diagnose.seen import Seen
from livemon.diagnose.words_alike import alike
from livemon.diagnose.words_shake import engine_shakes, felt, shakes, shakes_open, shudder
from livemon.records import MISFITS, TITLES, FindingName

_WORTH_NAMING: Final = 0.08  # a rival's probability
_OF_MISFIT: Final = 3  # checks of the cause that would explain what does not fit a sound vehicle
_NOTHING_TOLD: Final = 0.1  # ln evidence; less of every finding, and the odds are those of the complaint


def because(d: Seen, name: FindingName, p: Mapping[FindingName, float]) -> list[str]:
    """Sentences that speak for the call, strongest first."""
    lines: list[str] = []
    if name == "not_enough_evidence":
        lines.append(_split(d, p))
        lines += [f"Not judged: {line}." for line in cannot_judge(d)]
        misfit = strain.strained(d.stretches.facts)
        if misfit is not None:
            seen = words_road.strained(d, (misfit.field, misfit.regime), name)
            lines += [seen.text] if seen else []
    else:
        lines += sentences(_told(d, name), "for")
    shaken = felt(d) if name == "not_enough_evidence" else name == "lockup_shudder"
    if (name in ("none", "not_enough_evidence") and engine_shakes(d)) or (shaken and not d.shudder.firm):
        lines += shakes(d)
    lines += [
        f"{_code(d, code)} is stored; it counts as evidence, not as the verdict."
        for code in d.codes.bearing_on(name)
    ]
    return lines


def against(d: Seen, name: FindingName, p: Mapping[FindingName, float]) -> list[str]:
    """Sentences against the call: rival causes, what was seen that does not fit, what was not driven."""
    lines: list[str] = []
    called = name if name != "not_enough_evidence" else "none"
    for rival in sorted((n for n in p if n != called), key=lambda n: -p[n])[:2]:
        if p[rival] >= _WORTH_NAMING:
            title = "A sound vehicle" if rival == "none" else TITLES[rival].capitalize()
            leads = p[rival] == max(p.values())
            lines.append(
                f"{title} {'leads, but not by enough to call it' if leads else 'remains possible'} "
                f"({100 * p[rival]:.0f} %); what would tell: {alternatives.separating(called, rival)}."
            )
    if name != "not_enough_evidence":
        told = _told(d, name)
        misfits = sentences(told, "against")
        if name == "none" and felt(d) and not engine_shakes(d) and not d.shudder.firm:
            misfits += shakes(d)
        lines += [f"{MISFITS}: {_lower(line)}" for line in misfits]
        lines += [f"Decides nothing: {_lower(line)}" for line in sentences(told, "neither")]
    if name == "lockup_shudder":
        lines += shakes_open(d)
    if name == "none" and (missing := [TITLES[n] for n in untested(d)]):
        lines.append(f"This drive did not test: {', '.join(missing)}.")
    lines += alike(d, name, p)
    lines += _other_codes(d, name)
    doubtful = wrong_rating(d)
    if doubtful is not None:
        lines.append(
            f"The engine tells a reference torque of {doubtful[0]:.0f} N m, the vehicle file a peak of "
            f"{doubtful[1]:.0f} N m: is this the right file?"
        )
    if name != "not_enough_evidence":
        lines += [f"Not judged: {line}." for line in cannot_judge(d)]
    return lines


def check_next(d: Seen, name: FindingName, p: Mapping[FindingName, float]) -> list[str]:
    """What to do next, cheapest and least invasive first."""
    steps = [*_of_file(d, name), *checks.CHECKS["none" if name == "not_enough_evidence" else name]]
    if name == "none":
        steps[-1:-1] = [line for other in _misfit(d) for line in checks.CHECKS[other][:_OF_MISFIT]]
    if name == "lockup_never_applied" and d.lockup_watch.totals.open_cruise_s > checks.CRUISE_LASTS_S:
        steps.remove(checks.CRUISE)  # it was driven
    if name == "stator_not_holding" and d.stretches.facts.mean("r_t", "locked") is None:
        steps.insert(steps.index(checks.REPEAT), f"drive again with {alternatives.LOCKED_PULL}")
    codes = _of_codes(d)
    told = [codes if line == checks.CODES else line for line in steps]
    if d.codes.names:  # "first" it says
        told = list(dict.fromkeys((codes, *told)))
    lines = [_sentence(line) for line in told]
    if name in ("none", "not_enough_evidence") and engine_shakes(d):
        lines[:0] = [_sentence(line) for line in checks.ENGINE_SHAKES]
    if name == "none":
        lines += [_drive(alternatives.showing(n)) for n in untested(d)]
    elif name == "not_enough_evidence":
        if needs_ratios(d):
            return list(dict.fromkeys(lines))
        ranked = sorted((n for n in p if n != "none"), key=lambda n: -p[n])
        wanted = [alternatives.showing(n) for n in untested(d)] or [alternatives.showing(ranked[0])]
        if p[ranked[0]] > 0.2:
            second = "none" if p["none"] > p[ranked[1]] else ranked[1]
            wanted.insert(0, alternatives.separating(second, ranked[0]))
        if d.shudder.blind_s > 0.0 and not d.shudder.can_be_seen:
            wanted.append(alternatives.FASTER)
        lines[-1:] = map(_drive, wanted)
    return list(dict.fromkeys(lines))


def _of_file(d: Seen, name: FindingName) -> list[str]:
    """What a look at the vehicle file and the same recording tell, before anything is driven or touched."""
    if needs_ratios(d) or d.ratios_found:
        return [checks.REPLAY]
    if name in ("none", "not_enough_evidence", "lockup_never_applied", "lockup_shudder"):
        return []
    worked_out = name == "engine_low_output" and d.torque_source == "air_flow"
    return [checks.FILE, checks.AIR_FLOW] if worked_out else [checks.FILE]


def _misfit(d: Seen) -> list[FindingName]:
    """The causes that would explain what does not fit a sound vehicle."""
    weak, drags = words_road.full_pedal(d, "none"), words_road.coasting(d, "none")
    causes: list[FindingName] = []
    if weak is not None and weak.speaks == "against":
        causes.append("engine_low_output")
    if drags is not None and drags.speaks == "against":
        causes.append("driveline_drag")
    return causes


def _told(d: Seen, name: FindingName) -> list[Said | None]:
    """All that was seen and bears on the call, the most telling first."""
    road = words_road
    match name:
        case "none":
            return [
                road.sound(d), road.launch_k(d, name), road.launch_t(d, name), road.pulls(d, name),
                road.locked(d, name), road.coasting(d, name), road.full_pedal(d, name),
                words_clutch.clutch(d),
            ]  # fmt: skip
        case "stator_not_holding":
            seen = [road.launch_k(d, name), road.launch_t(d, name), *road.weighed(d, name)]
            return [*seen, road.locked(d, name), road.pulls(d, name)]
        case "stator_seized":
            return [
                road.past_coupling(d), *road.weighed(d, name), road.pulls(d, name), road.launch_k(d, name),
                road.locked(d, name),
            ]  # fmt: skip
        case "engine_low_output":
            told = road.full_pedal(d, name)
            seen = [road.made(d), *road.weighed(d, name), road.locked(d, name), road.launch_t(d, name)]
            seen.append(road.launch_k(d, name))
            return [told, *seen] if d.full_pedal.log_evidence > 0.0 else [*seen, told]
        case "driveline_drag":
            seen = [road.drag(d), *road.weighed(d, name), road.coasting(d, name), road.locked(d, name)]
            return [*seen, road.launch_k(d, name)]
        case "gear_slip":
            return [words_clutch.gear(d)]
        case "lockup_shudder":
            return [Said(line) for line in shudder(d)]
        case "lockup_slip":
            return [words_clutch.slip(d)]
        case "lockup_never_applied":
            return words_clutch.never(d)
        case "not_enough_evidence":
            return []
        case _:
            assert_never(name)


def _split(d: Seen, p: Mapping[FindingName, float]) -> str:
    if all(abs(value) < _NOTHING_TOLD for value in weigh.evidence(d).values()):
        return "Nothing in this drive could be judged: every cause is as likely as before it."
    ranked = sorted(p, key=lambda n: -p[n])[:3]
    return (
        "The evidence leaves it open: "
        + ", ".join(f"{TITLES[n]} {100 * p[n]:.0f} %" for n in ranked)
        + f", others {100 * (1.0 - sum(p[n] for n in ranked)):.0f} %."
    )


def _other_codes(d: Seen, name: FindingName) -> list[str]:
    """Codes stored that do not speak for the call."""
    lines: list[str] = []
    for code in d.codes.names:
        if code in d.codes.bearing_on(name):
            continue
        others = [TITLES[n] for n in d.codes.speaks_for(code)]
        if others:
            tail = f", which speaks for {' or '.join(others)}"
        elif code in MISFIRE:
            tail = ", which speaks for an engine that misfires"
        else:
            tail = "; it is not weighed here"
        lines.append(f"{_code(d, code)} is stored{tail}.")
    return lines


def _of_codes(d: Seen) -> str:
    """What is left to do about codes, once they were read or not."""
    if d.codes.names:
        return f"follow the maker's diagnosis of {', '.join(d.codes.names)} first"
    if d.codes.read:
        return "no codes are stored in the control units that answered; read the others"
    return checks.CODES


def _code(d: Seen, code: str) -> str:
    return f"{code} ({d.codes.names[code]})"


def _drive(manoeuvre: str) -> str:
    return f"Drive again with {manoeuvre}."


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + "."


def _lower(text: str) -> str:
    return text[0].lower() + text[1:]
