"""Does slip follow torque? An open converter slips more the more it carries, a closed clutch hardly does.

A line through the last seconds' slip over the slip an open converter would show: its slope is 1 for an open
converter and near 0 for a closed clutch. Tyre, speedometer and torque offsets fall out.
"""

from __future__ import annotations

from math import exp, log
from typing import Final

_MEMORY_S: Final = 8.0
_APART_S: Final = 1.0  # readings nearer to each other share their errors
_OPEN: Final = (1.0, 0.35)  # slope and sd: how far curve and torque scale may be off
_CLOSED: Final = (0.1, 0.25)  # controlled slip follows torque a little
_SAY_S: Final = 1.2
_MOST: Final = 3.0


class SlipSlope:
    """`add` moments of one gear in one state; `tell` how much likelier open is, as ln odds per second."""

    __slots__ = ("_m", "_mm", "_weight", "_x", "_xm", "gear")

    def __init__(self) -> None:
        self.gear = -1
        self.reset()

    def reset(self) -> None:
        self._weight = self._x = self._m = self._xm = self._mm = 0.0

    def add(self, x: float, m: float, dt: float) -> None:
        """x: ln slip seen, m: expected of an open converter."""
        keep = exp(-dt / _MEMORY_S)
        self._weight = keep * self._weight + dt
        self._x = keep * self._x + dt * x
        self._m = keep * self._m + dt * m
        self._xm = keep * self._xm + dt * x * m
        self._mm = keep * self._mm + dt * m * m

    def tell(self, x_var: float) -> float:
        """ln odds of open against closed that a second adds; x_var: variance of x by the readings."""
        weight = self._weight
        if weight < _APART_S:
            return 0.0
        mean = self._m / weight
        spread = self._mm / weight - mean * mean
        if spread < 1e-6:
            return 0.0
        slope = (self._xm / weight - mean * self._x / weight) / spread
        var = x_var / (spread * weight / _APART_S)
        odds = 0.0
        for sign, (expected, sd) in ((1.0, _OPEN), (-1.0, _CLOSED)):
            v = var + sd * sd
            odds -= sign * 0.5 * ((slope - expected) ** 2 / v + log(v))
        return max(-_MOST, min(_MOST, odds)) / _SAY_S
