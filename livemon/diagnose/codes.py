"""Trouble codes as evidence: a stated weight, a standard name, never the verdict.

Names: SAE J2012 wording as in docs/sources.md [dtc-names]; weights are likelihood ratios, common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import log
from typing import Final

from livemon.records import FindingName

_LOCKUP: Final[dict[FindingName, float]] = {"lockup_slip": 5.0, "lockup_never_applied": 5.0}
_RATIO: Final[dict[FindingName, float]] = {"gear_slip": 6.0}
MISFIRE: Final = tuple(f"P030{cylinder}" for cylinder in range(9))
# A cylinder that misfires is none of the findings: it shakes as a clutch may.
_MISFIRE: Final[dict[FindingName, float]] = {"lockup_shudder": 0.5}
_STARVED: Final[dict[FindingName, float]] = {"engine_low_output": 3.0}
WEIGHTS: Final[dict[str, dict[FindingName, float]]] = {
    "P0218": {"stator_seized": 1.5, "lockup_slip": 1.5, "gear_slip": 1.3},
    "P0087": _STARVED,
    "P0101": {"engine_low_output": 1.5},
    "P0171": {"engine_low_output": 1.5},
    "P0299": {"engine_low_output": 4.0},
    "P2263": {"engine_low_output": 4.0},
    **dict.fromkeys(MISFIRE, _MISFIRE),
    "P0729": _RATIO,
    "P0730": _RATIO,
    "P0731": _RATIO,
    "P0732": _RATIO,
    "P0733": _RATIO,
    "P0734": _RATIO,
    "P0735": _RATIO,
    "P0736": _RATIO,
    "P0740": _LOCKUP,
    "P0741": {**_LOCKUP, "lockup_shudder": 1.5},
    "P0743": {"lockup_never_applied": 6.0},
    "P0744": _LOCKUP,
    "P0894": {**_RATIO, "lockup_slip": 2.0},
    "P2757": _LOCKUP,
    "P2759": {"lockup_never_applied": 6.0},
    "P2763": {"lockup_never_applied": 3.0},
    "P2764": {"lockup_never_applied": 3.0},
}
# These say that a speed the estimate leans on is itself suspect.
SPEED_SENSOR_CODES: Final = frozenset({"P0715", "P0716", "P0717", "P0720", "P0722", "P0725"})
_KIND_POWER: Final = {"stored": 1.0, "permanent": 1.0, "pending": 0.6}
_ALL_MOST: Final = 12.0  # several codes of one cause are one piece of evidence


class Codes:
    """What the control units have stored."""

    def __init__(self) -> None:
        self.read = False
        self.names: dict[str, str] = {}
        self._power: dict[str, float] = {}

    def note(self, codes: Mapping[str, Mapping[str, str]]) -> None:
        """Take codes by kind (stored, pending, permanent), each a mapping of code to standard name."""
        for kind, found in codes.items():
            self.read = True
            for code, name in found.items():
                self.names[code] = name
                self._power[code] = max(self._power.get(code, 0.0), _KIND_POWER.get(kind, 0.6))

    def log_evidence(self) -> dict[FindingName, float]:
        """ln likelihood ratio for each finding a code bears on."""
        total: dict[FindingName, float] = {}
        for code, power in self._power.items():
            for finding, ratio in WEIGHTS.get(code, {}).items():
                total[finding] = total.get(finding, 0.0) + power * log(ratio)
        return {finding: max(min(value, log(_ALL_MOST)), -log(_ALL_MOST)) for finding, value in total.items()}

    def bearing_on(self, finding: FindingName) -> list[str]:
        """Codes that speak for one finding."""
        return [code for code in self.names if WEIGHTS.get(code, {}).get(finding, 1.0) > 1.0]

    def speaks_for(self, code: str) -> list[FindingName]:
        """Findings a code speaks for."""
        return [finding for finding, ratio in WEIGHTS.get(code, {}).items() if ratio > 1.0]

    @property
    def suspect_speeds(self) -> list[str]:
        return sorted(SPEED_SENSOR_CODES & self.names.keys())
