"""Why a drive is no lesson: what stood in the way, in the driver's or the file's terms."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import ceil, hypot
from typing import Final

from livemon.converter.curves import Curves, at
from livemon.estimate.learned_curve import TR_LEAST_SD, Point

NEEDED: Final = 0.07  # of K and torque ratio, one standard deviation: a fault moves them by 15 % and more
_JUDGED: Final = 0.85  # above this speed ratio K climbs so steeply that the curve is only carried on
_LAUNCH_END: Final = 0.7
_LEAST_LAUNCHES: Final = 3
_UNLIKE: Final = 3.0  # standard deviations of the file's curve


@dataclass(slots=True)
class Reach:
    """A range of speed ratio, what is done to be in it, and what came of the estimates there."""

    low: float
    high: float
    what: str
    seen: int = 0
    ratio_sd: float = 0.0  # sum over those seen
    left: Counter[str] = field(default_factory=Counter)  # why they could not be used


def reaches(top: float) -> tuple[Reach, ...]:
    """The two ranges a lesson needs, up to `top`."""
    pulling = Reach(_LAUNCH_END, top, "pulling with the converter clutch open")
    return Reach(0.0, _LAUNCH_END, "pulling away"), pulling


def no_ratios(found_rpm_per_kmh: Sequence[float]) -> str:
    """The vehicle file gives no gear ratios."""
    found = ", ".join(f"{x:.1f}" for x in found_rpm_per_kmh) or "none"
    return (
        f"gear ratios in the vehicle file ({len(found_rpm_per_kmh)} were found in the drive, "
        f"{found} rpm per km/h)"
    )


def lacks(points: Sequence[Point], ranges: Sequence[Reach], launches: int) -> list[str]:
    """What the drive held too little of for K to be known."""
    missing = []
    if launches < _LEAST_LAUNCHES:
        missing.append(f"launches from rest ({launches} seen, {_LEAST_LAUNCHES} needed)")
    for r in ranges:
        own = [p for p in points if r.low <= p.speed_ratio < r.high and p.speed_ratio <= _JUDGED]
        worst = max(own, key=lambda p: p.k_sd / p.k)
        share = worst.k_sd / worst.k
        if share <= NEEDED:
            continue
        used = r.seen - r.left.total()
        text = f"enough {r.what}: {used} of {r.seen} estimates at speed ratios from {r.low:g} to {r.high:g}"
        text += " could be used"
        if r.left:
            text += f", the others mostly not because {r.left.most_common(1)[0][0]}"
        if r.seen:
            text += f"; speed ratio known to {100.0 * r.ratio_sd / r.seen:.0f} %"
        known = ceil(1000.0 * share) / 10.0
        text += f", K to {known:.1f} % at {worst.speed_ratio:g}, {100.0 * NEEDED:.0f} % needed"
        missing.append(text)
    return missing


def unlike(points: Sequence[Point], curves: Curves) -> list[str]:
    """A converter so far off the file's is not sound, or not that of the file: neither is a lesson."""
    for p in points:
        x = p.speed_ratio
        tr_sd = hypot(at(curves.tr_sd, x), TR_LEAST_SD)
        for name, new, old, sd in (
            ("K", p.k, at(curves.k, x), at(curves.k_sd, x)),
            ("torque ratio", p.torque_ratio, at(curves.tr, x), tr_sd),
        ):
            if abs(new - old) > _UNLIKE * sd:
                side = "above" if new > old else "below"
                return [
                    f"a converter like the vehicle file's: at a speed ratio of {x:g} {name} came out "
                    f"{100.0 * abs(new / old - 1.0):.0f} % {side} the file's curve, which is known to "
                    f"{100.0 * sd / old:.0f} % (not sound, or the file's stall figures are another's)"
                ]
    return []
