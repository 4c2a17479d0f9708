"""Warnings while driving: raised above one level, withdrawn below another, never flickering."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from livemon.quantities import CALL_FROM
from livemon.records import FindingName, Warning

RAISE: Final = 0.75
WITHDRAW: Final = 0.35
# The stator shows within one launch, before a locked stretch can tell engine output apart from it.
RAISE_AT: Final[dict[str, float]] = {"stator_not_holding": CALL_FROM}
WITHDRAW_AT: Final[dict[str, float]] = {"lockup_shudder": 0.03}  # it comes and goes: not gone when it rests
_SLOW: Final[frozenset[FindingName]] = frozenset(
    ("engine_low_output", "driveline_drag", "stator_seized", "gear_slip")
)
_SLOW_RAISE: Final = 0.95  # nothing is lost by waiting: these do not change from one second to the next

SENTENCES: Final[dict[str, tuple[str, str, str]]] = {
    # finding: (raised, withdrawn, why it was)
    "stator_not_holding": (
        "stator not holding: engine speed and torque at launch fit a converter without stator reaction",
        "stator warning withdrawn",
        "later launches fit a sound converter or another cause",
    ),
    "stator_seized": (
        "stator seized: past the coupling point the converter takes torque and passes on less",
        "seized-stator warning withdrawn",
        "later pulls do not show it",
    ),
    "lockup_shudder": (
        "converter clutch shudder: engine speed shakes while the clutch is on",
        "shudder warning withdrawn",
        "what followed does not fit clutch shudder",
    ),
    "lockup_slip": (
        "converter clutch slips: slip with the clutch on is above target",
        "clutch-slip warning withdrawn",
        "what followed fits it no longer",
    ),
    "lockup_never_applied": (
        "converter clutch not coming on in steady cruise where it should",
        "clutch-not-coming-on warning withdrawn",
        "what followed fits it no longer",
    ),
    "gear_slip": (
        "slip in one gear: engine speed is too high for road speed there",
        "slip-in-one-gear warning withdrawn",
        "later stretches in that gear do not show it",
    ),
    "engine_low_output": (
        "low engine output: it makes less torque than it should",
        "engine-output warning withdrawn",
        "later pulls fit a sound engine",
    ),
    "driveline_drag": (
        "driveline drag or load: the vehicle is held back beyond tyres and air",
        "drag warning withdrawn",
        "later stretches roll freely",
    ),
}


_NO_FIT: Final = "the ratios, tyre or final drive of the vehicle file do not fit this vehicle"


class Alarms:
    """Keeps which warnings stand; `judge` gives the changes."""

    def __init__(self) -> None:
        self.standing: set[FindingName] = set()

    def judge(
        self, time_s: float, probabilities: Mapping[FindingName, float], file_fits: bool = True
    ) -> list[Warning]:
        """Compare the posterior with the two levels; changes come back as warnings."""
        changes = []
        for name, probability in probabilities.items():
            if name == "none":
                continue
            level = RAISE_AT.get(name, _SLOW_RAISE if name in _SLOW else RAISE)
            if name not in self.standing and probability >= level:
                changes.append(self.raise_now(time_s, name, probability))
            elif name in self.standing and probability <= WITHDRAW_AT.get(name, WITHDRAW):
                self.standing.discard(name)
                _, withdrawn, why = SENTENCES[name]
                text = f"{withdrawn}: {why if file_fits else _NO_FIT}"
                changes.append(Warning(time_s, name, text, False, probability))
        return changes

    def raise_now(self, time_s: float, name: FindingName, probability: float, detail: str = "") -> Warning:
        """Raise one warning, with the numbers of the moment after the sentence."""
        self.standing.add(name)
        return Warning(time_s, name, SENTENCES[name][0] + detail, True, probability)
