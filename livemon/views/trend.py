"""How one vehicle has changed from check to check: the few numbers that age with a converter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, hypot, isfinite, sqrt
from typing import Any, Final, NamedTuple, TypeGuard

from livemon.views import labels
from livemon.views.sentences import SHORT

COLUMNS: Final = ("K of expected", "turbine torque of expected", "locked slip")
_CLEAR: Final = 2.0  # standard deviations that make a change
_LARGEST: Final = 20.0  # of a logarithm that anything measured can give


class Level(NamedTuple):
    """A mean with its standard deviation."""

    mean: float
    sd: float


def launch_level(result: Mapping[str, Any], key: str) -> Level | None:
    """Weighted mean of a log residual ("r_k" or "r_t") over the launches of a drive."""
    pairs = [(launch.get(key), launch.get(f"{key}_sd")) for launch in result.get("launches") or ()]
    return _together(
        [
            Level(r, sd)
            for r, sd in pairs
            if _is_number(r) and _is_number(sd) and abs(r) < _LARGEST and sd > 0.0
        ]
    )


def _together(levels: Sequence[Level]) -> Level | None:
    """Weighted mean of several levels of one vehicle.

    Most of each level's error is the same in all: curve, torque signal, tyre, mass. That does not average
    out, and how much of it there is a result does not tell, so all counts as shared and the mean is no
    surer than its parts. By what they scatter beyond it the mean is less sure still: one odd launch does not
    look certain.
    """
    if not levels:
        return None
    weights = [1.0 / level.sd**2 for level in levels]
    total = sum(weights)
    mean = sum(w * level.mean for w, level in zip(weights, levels, strict=True)) / total
    shared = sum(w * level.sd for w, level in zip(weights, levels, strict=True)) / total
    chi2 = sum(w * (level.mean - mean) ** 2 for w, level in zip(weights, levels, strict=True))
    excess = max(0.0, chi2 / (len(levels) - 1) - 1.0) if len(levels) > 1 else 0.0
    return Level(mean, sqrt(shared**2 + excess / total))


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def locked_slip_rpm(result: Mapping[str, Any]) -> float | None:
    """Mean slip with the clutch locked [rpm]."""
    slip = (result.get("lockup") or {}).get("mean_slip_rpm")
    return float(slip) if slip is not None and _is_number(slip) else None


def cells(result: Mapping[str, Any]) -> list[str]:
    """The row of one check, as COLUMNS names it."""
    slip = locked_slip_rpm(result)
    return [
        *(_share(launch_level(result, key)) for key in ("r_k", "r_t")),
        "-" if slip is None else f"{slip:.0f} rpm",
    ]


def _share(level: Level | None) -> str:
    return "-" if level is None else labels.share(*level)


def sentences(results: Sequence[Mapping[str, Any]]) -> list[str]:
    """What changed between the earlier checks and the newest, oldest result first."""
    if len(results) < 2:
        return ["One check only: nothing to compare with yet."]
    *before, newest = results
    said = _call_changed(before[-1], newest)
    for key, name in (("r_k", "The capacity factor K at launch"), ("r_t", "Turbine torque at launch")):
        old = _together([level for level in (launch_level(r, key) for r in before) if level is not None])
        new = launch_level(newest, key)
        if old is None or new is None:
            said.append(f"{name} cannot be compared: a check without a launch that shows it.")
        else:
            # Checks of one vehicle share the error of its curve and tyre, which cancels in a change, but not
            # load, fluid or air. How much is shared is not told: as if nothing were, the band is too wide
            # rather than too narrow.
            said.append(_change(name, new.mean - old.mean, hypot(new.sd, old.sd)))
    return said


def _call_changed(before: Mapping[str, Any], newest: Mapping[str, Any]) -> list[str]:
    """The calls of the last two checks, where they differ."""
    was, is_ = ((result.get("call") or {}).get("finding") for result in (before, newest))
    if was == is_ or was not in SHORT or is_ not in SHORT:
        return []
    return [f"The call went from {SHORT[was]} to {SHORT[is_]} since the check before."]


def _change(name: str, change: float, sd: float) -> str:
    clear = abs(change) > _CLEAR * sd
    if not clear and labels.too_wide(sd):
        return f"{name} cannot be compared: it is not known well enough."
    percent, low, high = (part - 100.0 for part in (100.0 * exp(change), *labels.limits(change, sd)))
    if not clear:
        size = f"{round(percent):+d} %, {round(low):+d} to {round(high):+d}"
        wide = "; the band is too wide to rule a change out" if abs(change) > sd else ""
        return f"{name} has not clearly changed ({size}){wide}."
    way = "fell" if change < 0.0 else "rose"
    least, most = sorted((abs(low), abs(high)))
    size = (
        f"at least {least:.0f} %"
        if labels.too_wide(sd)
        else f"{abs(percent):.0f} % ({least:.0f} to {most:.0f})"
    )
    return f"{name} {way} by {size} against the earlier checks."
