"""One posterior over the findings from all evidence, and how it is kept honest."""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, log
from typing import Final

from livemon.diagnose.hypotheses import FINDINGS, PRIOR
from livemon.records import INSIDE, FindingName

# However much evidence there is, the model of the world may be wrong in a way nobody thought of: this share
# of belief stays with the prior.
MODEL_ERROR: Final = 0.015
# Half of weak engines report what they lack, the other half report their full rating, a few do both.
_REPORTS_IT, _HIDES_IT, _BOTH = 0.45, 0.45, 0.10
_CLUTCH_CAR: Final = log(0.05)


def engine_low(road: float, full_pedal: float) -> float:
    """ln evidence of low engine output from the road (hidden) and from full pedal (reported)."""
    top = max(road, full_pedal, road + full_pedal, 0.0)
    total = (
        _HIDES_IT * exp(road - top)
        + _REPORTS_IT * exp(full_pedal - top)
        + _BOTH * exp(road + full_pedal - top)
    )
    return top + log(max(total, 1e-300))


def posterior(
    evidence: Mapping[FindingName, float], *, converter_seen: bool, clutch_car: bool
) -> dict[FindingName, float]:
    """Probabilities of all findings but not_enough_evidence; they sum to 1.

    `evidence`: ln likelihood ratio of each finding against none. Without a converter seen at work no fault
    inside the transmission gains from any of it.
    """
    odds: dict[FindingName, float] = {}
    for name in FINDINGS:
        ratio = evidence.get(name, 0.0)
        if name in INSIDE and not converter_seen:
            ratio = min(ratio, 0.0) + (_CLUTCH_CAR if clutch_car else 0.0)
        odds[name] = log(PRIOR[name]) + ratio
    top = max(odds.values())
    weights = {name: exp(max(value - top, -700.0)) for name, value in odds.items()}
    total = sum(weights.values())
    return {
        name: (1.0 - MODEL_ERROR) * weight / total + MODEL_ERROR * PRIOR[name]
        for name, weight in weights.items()
    }
