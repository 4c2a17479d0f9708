"""A converter's curves as the rest of livemon reads them: one record, one grid, scalar look-up."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt
from typing import Literal

State = Literal["working", "lost", "seized"]
GRID_STEPS = 100  # speed ratio 0.00 ... 1.00 in steps of 0.01


@dataclass(frozen=True, slots=True)
class Curves:
    """K [rpm/sqrt(N m)] and torque ratio over the grid, each with one standard deviation.

    working: sound converter. lost: no stator reaction (torque ratio 1). seized: stator never turns.
    All tuples have GRID_STEPS + 1 entries. `*_sd` are absolute, in the unit of the value.
    """

    k: tuple[float, ...]
    k_sd: tuple[float, ...]
    tr: tuple[float, ...]
    tr_sd: tuple[float, ...]
    k_lost: tuple[float, ...]
    k_lost_sd: tuple[float, ...]
    k_seized: tuple[float, ...]
    tr_seized: tuple[float, ...]
    coupling_speed_ratio: float
    assumed: tuple[str, ...] = ()

    @property
    def lost_ratio_sd(self) -> float:
        """Of ln(K without reaction / K) at stall: what both are off by together is not in it."""
        lost, working = self.k_lost_sd[0] / self.k_lost[0], self.k_sd[0] / self.k[0]
        return sqrt(max(lost * lost - working * working, 0.0))


def at(table: tuple[float, ...], speed_ratio: float) -> float:
    """Piecewise-linear look-up of one curve at one speed ratio, held constant outside 0..1."""
    x = speed_ratio * GRID_STEPS
    if x <= 0.0:
        return table[0]
    if x >= GRID_STEPS:
        return table[GRID_STEPS]
    i = int(x)
    return table[i] + (x - i) * (table[i + 1] - table[i])


def log_slope(table: tuple[float, ...], speed_ratio: float) -> float:
    """Growth of ln of one curve with speed ratio, over 0.04 of it; not into the pole of K at 1."""
    after, before = at(table, min(speed_ratio + 0.02, 0.98)), at(table, max(speed_ratio - 0.02, 0.0))
    return (log(after) - log(before)) / 0.04


def ln_over(table: tuple[float, ...], speed_ratio: float, rpm: float, torque_nm: float) -> float:
    """ln of K as seen, from pump speed and a torque above 0, over a curve of K at that speed ratio."""
    return log(rpm) - 0.5 * log(torque_nm) - log(at(table, speed_ratio))
