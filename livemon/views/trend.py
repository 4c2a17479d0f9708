"""How one vehicle has changed from check to check: the few numbers that age with a converter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, hypot, isfinite, sqrt
from typing import Any, Final, NamedTuple

COLUMNS: Final = ("K of expected", "turbine torque of expected", "locked slip")
_CLEAR: Final = 2.0  # standard deviations that make a change


class Level(NamedTuple):
    """A mean with its standard deviation."""

    mean: float
    sd: float


def launch_level(result: Mapping[str, Any], key: str) -> Level | None:
    """Weighted mean of a log residual ("r_k" or "r_t") over a drive's launches.

    The scatter between launches counts too, so that one odd launch does not look certain.
    """
    pairs = [
        (float(launch[key]), float(launch[f"{key}_sd"]))
        for launch in result.get("launches") or ()
        if _is_number(launch.get(key)) and _is_number(launch.get(f"{key}_sd")) and launch[f"{key}_sd"] > 0.0
    ]
    if not pairs:
        return None
    weights = [1.0 / sd**2 for _, sd in pairs]
    total = sum(weights)
    mean = sum(w * r for w, (r, _) in zip(weights, pairs, strict=True)) / total
    chi2 = sum(w * (r - mean) ** 2 for w, (r, _) in zip(weights, pairs, strict=True))
    excess = max(1.0, chi2 / (len(pairs) - 1)) if len(pairs) > 1 else 1.0
    return Level(mean, sqrt(excess / total))


def _is_number(value: object) -> bool:
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
    if level is None or abs(level.mean) > 20.0:
        return "-"
    return f"{100.0 * exp(level.mean):.0f} ± {min(999.0, 200.0 * level.sd * exp(level.mean)):.0f} %"


def sentences(results: Sequence[Mapping[str, Any]]) -> list[str]:
    """What changed between the earlier checks and the newest, oldest result first."""
    if len(results) < 2:
        return ["One check only: nothing to compare with yet."]
    *before, newest = results
    said = []
    for key, name in (("r_k", "The capacity factor K at launch"), ("r_t", "Turbine torque at launch")):
        old = [level for level in (launch_level(r, key) for r in before) if level is not None]
        new = launch_level(newest, key)
        if not old or new is None:
            said.append(f"{name} cannot be compared: a check without a launch that shows it.")
            continue
        total = sum(1.0 / level.sd**2 for level in old)
        mean = sum(level.mean / level.sd**2 for level in old) / total
        change, sd = new.mean - mean, hypot(new.sd, 1.0 / sqrt(total))
        percent, band = 100.0 * (exp(change) - 1.0), 200.0 * sd * exp(change)
        if abs(change) < _CLEAR * sd:
            said.append(f"{name} has not clearly changed ({percent:+.0f} ± {band:.0f} %).")
        else:
            way = "fell" if change < 0.0 else "rose"
            said.append(f"{name} {way} by {abs(percent):.0f} ± {band:.0f} % against the earlier checks.")
    return said
