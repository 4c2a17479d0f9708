"""At which turbine speed this box shifts down with the foot off: one number, learned while driving.

Boxes keep the turbine above idle as the vehicle slows, each at its own speed and within some per cent the
same each time (common practice, no source). With the engine at idle nothing else tells the gear.
"""

from __future__ import annotations

from math import exp, log
from typing import Final

from livemon.estimate.interval import ROOT_2PI

_USUAL_RPM, _SPREAD = 980.0, 0.14  # ln sd between boxes
_OWN: Final = 0.04  # ln sd between gears and times of one box
_STEPS, _STEP = 43, 0.035
_GRID: Final = tuple(log(350.0) + (i + 0.5) * _STEP for i in range(_STEPS))
_HOLDS: Final = 0.1  # of boxes hold a gear down to a crawl, some then skip gears
_NEVER: Final = 1e-3
_DOUBT: Final = 0.15  # that a gear was read wrong, or the foot was not what made it shift
_ABOVE: Final = (0.26, 0.22)  # ln of where a shift up without pedal leaves the turbine over that speed, sd
_UP_S: Final = 1.0  # per second
_LATE: Final = 2.0  # per second: a shift that was kept waiting


class DownshiftSpeed:
    """Weights over a grid of ln turbine speed below which the box shifts down."""

    __slots__ = ("_below", "_weights", "ln_rpm")

    def __init__(self) -> None:
        usual = log(_USUAL_RPM)
        held = _HOLDS * _STEP / (usual - _GRID[0])
        bell = (1.0 - _HOLDS) * _STEP / (ROOT_2PI * _SPREAD)
        self._weights = [
            bell * exp(-0.5 * ((x - usual) / _SPREAD) ** 2) + (held if x < usual else 0.0) for x in _GRID
        ]
        self._sum_up()

    def _sum_up(self) -> None:
        total = sum(self._weights)
        self._weights = weights = [w / total for w in self._weights]
        self.ln_rpm = sum(w * x for w, x in zip(weights, _GRID, strict=True))
        around = zip([0.0, *weights[:-1]], weights, [*weights[1:], 0.0], strict=True)
        smooth = [0.25 * a + 0.5 * b + 0.25 * c for a, b, c in around]
        self._below = [0.0]
        for w in smooth:
            self._below.append(self._below[-1] + w)

    def _stays(self, ln_rpm: float) -> float:
        """Probability that the box stays where the turbine is so slow."""
        f = (ln_rpm - _GRID[0]) / _STEP + 0.5
        i = int(f)
        if f <= 0.0:
            return 0.0
        below = self._below
        if i >= _STEPS:
            return 1.0
        return below[i] + (f - i) * (below[i + 1] - below[i])

    def chance(self, turbine_rpm: float, ln_change: float, dt: float) -> tuple[float, float]:
        """(share, chance): that the box will not stay where the turbine is so slow, and that it leaves in a
        step of dt in which the turbine's speed changed by ln_change."""
        now = log(turbine_rpm)
        stays = max(self._stays(now), _NEVER)
        share = 1.0 - stays
        chance = _LATE * share**4 * dt
        if ln_change < 0.0:
            chance += 1.0 - stays / max(self._stays(now - ln_change), stays)
        return share, min(0.45, chance)

    def up(self, after_rpm: float, dt: float) -> float:
        """Chance of a shift up in dt that leaves the turbine at after_rpm: likely once that is well above."""
        z = 1.7 * (log(after_rpm) - self.ln_rpm - _ABOVE[0]) / _ABOVE[1]
        return min(0.4, dt * (_UP_S / (1.0 + exp(-z)) + 0.005)) if z > -12.0 else 0.0

    def seen(self, held_rpm: float, left_rpm: float | None, weight: float = 1.0) -> None:
        """Foot off, the box stayed where the turbine ran at `held_rpm`, and had left `left_rpm` behind."""
        high = log(held_rpm)
        low = None if left_rpm is None else log(left_rpm)
        for i, x in enumerate(_GRID):
            fits = 1.0 / (1.0 + exp(min(60.0, 1.7 * (x - high) / _OWN)))
            if low is not None:
                fits *= 1.0 / (1.0 + exp(min(60.0, 1.7 * (low - x) / _OWN)))
            self._weights[i] *= (fits + _DOUBT) ** weight
        self._sum_up()
