"""Which gears may slip together, and what their rows say of any of them."""

from __future__ import annotations

from collections.abc import Mapping
from math import log
from typing import Final

import numpy as np

from livemon.arrays import Array
from livemon.diagnose.gear_slip import Slipped
from livemon.diagnose.mixture import mixture
from livemon.diagnose.row_logs import log_mean

TWO: Final = 0.1  # share of worn gears that are two, of one clutch or band. Common practice, no source.


class WornGears:
    """Each gear alone, then each and the next: a shift lets go of one clutch or band and applies another, and
    what stays may be worn. `sets` has them in this order, as do rows of a bank and what is told of each."""

    def __init__(self, gears: int) -> None:
        """gears: how many there are, from none on."""
        self._gears = gears
        alone = tuple((gear,) for gear in range(1, gears + 1))
        self.sets = (*alone, *((gear, gear + 1) for gear in range(1, gears)))
        self._of = {
            gear: tuple(i for i, worn in enumerate(self.sets) if gear in worn) for gear in range(1, gears + 1)
        }

    def of(self, gear: int | None) -> tuple[int, ...]:
        """Places in `sets` of those with this gear among them; none if it is no gear."""
        return self._of.get(gear or 0, ())

    def log_evidence(self, told: Array) -> float:
        """ln evidence that a gear slips, or two; told: of each of `sets`."""
        gears = self._gears
        if not gears:
            return 0.0
        one = log_mean(told[:gears])
        return one + mixture(TWO, log_mean(told[gears:]) - one) if gears > 1 else one

    def likeliest(self, told: Array, seen: Mapping[int, Slipped]) -> tuple[int, ...]:
        """The gears likeliest to slip, if any do: the one that was seen to for longest first."""
        if not self._gears:
            return ()
        likely = told.copy()
        likely[self._gears :] += log(TWO)
        worn = self.sets[int(np.argmax(likely))]
        seconds_s = {gear: seen[gear].seconds_s if gear in seen else 0.0 for gear in worn}
        return tuple(sorted(worn, key=lambda gear: seconds_s[gear], reverse=True))
