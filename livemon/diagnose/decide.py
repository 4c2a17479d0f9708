"""From the posterior to findings and the one call."""

from __future__ import annotations

from math import log
from typing import Final

from livemon.diagnose import limits, report_evidence, strain, weigh, words
from livemon.diagnose.said import TESTED
from livemon.diagnose.seen import Seen
from livemon.quantities import CALL_FROM
from livemon.records import INSIDE, Call, Finding, FindingName, Where

SOUND_FROM: Final = 0.65
MOST_UNTESTED: Final = 0.2  # of belief, with faults this drive could not have shown
_SECOND_FAULT: Final = log(100.0)
_CLUTCH: Final[tuple[FindingName, ...]] = ("lockup_slip", "lockup_shudder")
_ROAD: Final[tuple[FindingName, ...]] = ("stator_not_holding", "engine_low_output", "driveline_drag")
# What a sound drive must have spoken against before it is called sound.
_MUST_TEST: Final[tuple[FindingName, ...]] = ("stator_not_holding", "engine_low_output")


def findings(d: Seen) -> list[Finding]:
    """Faults the drive shows, likeliest first. Clutch faults rest on evidence of their own, so they may
    join."""
    probabilities = weigh.standing(d)
    names: list[FindingName] = [n for n, p in probabilities.items() if n != "none" and p >= CALL_FROM]
    if d.presence.seen:
        evidence = weigh.evidence(d)
        leading = max(evidence, key=lambda n: evidence[n])
        names += [n for n in _CLUTCH if n not in names and evidence[n] > _SECOND_FAULT]
        road = sorted((n for n in _ROAD if n not in names), key=lambda n: -evidence[n])
        if leading in _CLUTCH and names and len(road) == len(_ROAD):
            second, third = road[0], road[1]
            if evidence[second] > max(_SECOND_FAULT, evidence[third] + log(5.0)):
                names.append(second)
    names.sort(key=lambda n: -probabilities[n])
    return [report_evidence.finding(d, name, probabilities[name]) for name in names]


def call(d: Seen) -> Call:
    """The one call: the leading fault, or none, or not enough evidence."""
    probabilities = weigh.standing(d)
    lead = max(probabilities, key=lambda n: probabilities[n])
    name: FindingName
    if lead == "none":
        road = d.bank.log_finding(d.full_pedal.gain)
        sound = probabilities[lead] >= SOUND_FROM and all(road[n] < TESTED for n in _MUST_TEST)
        sound = sound and sum(probabilities[n] for n in limits.untested(d)) <= MOST_UNTESTED
        sound = sound and strain.strained(d.stretches.facts) is None
        name = "none" if sound and not d.presence.clutch_car else "not_enough_evidence"
    else:
        name = lead if probabilities[lead] >= CALL_FROM else "not_enough_evidence"
    where: Where
    if name == "none":
        where = "no_fault"
    elif name == "not_enough_evidence":
        where = "unknown"
    else:
        where = "inside_transmission" if name in INSIDE else "outside_transmission"
    return Call(
        name,
        round(probabilities[lead], 4),
        where,
        words.because(d, name, probabilities),
        words.against(d, name, probabilities),
        words.check_next(d, name, probabilities),
    )
