"""The result of a drive as JSON: plain numbers, no NaN, no infinity, UTF-8."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from math import isfinite
from pathlib import Path
from typing import Any, Final

import livemon
from livemon.files import write_whole
from livemon.records import FindingName, Stretch
from livemon.views.sentences import CAUSES
from livemon.views.snapshot import Drive

SCHEMA = 1
_APART: Final = 1e-3


def build(drive: Drive) -> dict[str, Any]:
    """The result of one drive, ready for `json.dumps(..., allow_nan=False)`."""
    call = drive.call
    result = {
        "schema": SCHEMA,
        "livemon": livemon.__version__,
        "recording": {
            "source": drive.source,
            "frames": drive.frames,
            "readings": drive.readings,
            "duration_s": drive.duration_s,
        },
        "vehicle": {"name": drive.vehicle.name, "assumed": list(drive.vehicle.assumed)},
        "call": {
            "finding": call.finding,
            "probability": _probability(call.probability),
            "where": call.where,
            "because": call.because,
            "against": call.against,
            "check_next": call.check_next,
        },
        "probabilities": probabilities(drive.probabilities),
        "findings": [
            {"finding": f.finding, "first_s": f.first_s, "last_s": f.last_s, "evidence": f.evidence}
            for f in drive.findings
        ],
        "launches": [_evidence(launch) for launch in drive.launches],
        "stretches": [_evidence(stretch) for stretch in drive.stretches],
        "lockup": drive.lockup,
        "counters": drive.counters,
    }
    plain: dict[str, Any] = _plain(result)
    return plain


def _evidence(stretch: Stretch) -> dict[str, Any]:
    """One launch or other stretch of one regime."""
    return {
        "regime": stretch.regime,
        "gear": stretch.gear,
        **stretch.details,
        "start_s": stretch.start_s,
        "end_s": stretch.end_s,
        "samples": stretch.samples,
        "r_k": stretch.r_k,
        "r_k_sd": stretch.r_k_sd,
        "r_t": stretch.r_t,
        "r_t_sd": stretch.r_t_sd,
    }


def probabilities(given: Mapping[FindingName, float]) -> dict[FindingName, float]:
    """Every cause with its probability, summing to 1. Nothing known is every cause alike."""
    weights = {name: _probability(given.get(name, 0.0)) for name in CAUSES}
    total = sum(weights.values())
    if total <= 0.0:
        return {name: 1.0 / len(CAUSES) for name in CAUSES}
    return {name: weight / total for name, weight in weights.items()}


def told_apart(probabilities: Mapping[str, float]) -> bool:
    """Whether a drive told one fault from another; else each is as likely as any complaint makes it."""
    faults = [p for name, p in probabilities.items() if name != "none"]
    return max(faults) - min(faults) > _APART


def write(result: Any, path: str | Path) -> None:
    """Write a result, or a list of them, to a file or for "-" to standard output. May raise UsageError."""
    text = json.dumps(result, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    # A file name that is not UTF-8 leaves lone surrogates; backslashreplace turns them into JSON escapes.
    data = text.encode("utf-8", "backslashreplace")
    if str(path) == "-":
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
        return
    write_whole(path, data, "give another --json path")


def _probability(value: float) -> float:
    return min(1.0, max(0.0, float(value))) if isfinite(value) else 0.0


def _plain(value: Any) -> Any:
    """The value as JSON types only; what is not a finite number is null."""
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in value]
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(f"{value:.9g}") if isfinite(value) else None
    if hasattr(value, "tolist"):  # a numpy scalar or array
        return _plain(value.tolist())
    return str(value)
