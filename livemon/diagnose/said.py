"""A sentence of the call, and which way what it says speaks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import log
from typing import Final, Literal, NamedTuple

from livemon.diagnose.facts import Fact
from livemon.records import FindingName

Speaks = Literal["for", "against", "neither"]

_TELLS: Final = 0.5  # ln likelihood ratio that is worth calling evidence
_CONTRADICTS: Final = 2.0  # of two standard deviations
_MISSES: Final = 2.0  # standard deviations, of a sound vehicle
_SAME: Final = 0.02  # of ln: so near, two findings ask for the same and the mean tells neither from the other
TESTED: Final = log(0.4)  # the drive spoke against a fault if it became at least this much less likely
WEAK: Final = log(0.7)  # of torque: a weak engine of workshop size


class Said(NamedTuple):
    """One sentence, and whether it speaks for the call, against it, or for neither."""

    text: str
    speaks: Speaks = "for"


def way(fact: Fact, would: Mapping[FindingName, float], name: FindingName) -> Speaks:
    """Which way a mean speaks of the call `name`. would: what the mean would be under each finding.

    A fault is measured against sound, a sound vehicle against the fault that fits best; what fits another
    cause much better speaks against.
    """
    fits = {finding: -0.5 * ((fact.mean - value) / fact.sd) ** 2 for finding, value in would.items()}
    if name not in fits:
        return "neither"
    others = [fits[finding] for finding, value in would.items() if abs(value - would[name]) > _SAME]
    if not others:
        return "neither"
    if name == "none" and abs(fact.mean) > _MISSES * fact.sd:  # the other faults miss it by more
        return "against"
    if fits[name] < max(others) - _CONTRADICTS:
        return "against"
    rival = max(others) if name == "none" else fits["none"]
    return "for" if fits[name] > rival + _TELLS else "neither"


def sentences(said: Iterable[Said | None], speaks: Speaks) -> list[str]:
    """Those that speak this way, in order."""
    return [s.text for s in said if s is not None and s.speaks == speaks]
