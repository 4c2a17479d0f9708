"""Likelihoods row by row: densities, means, and how far a row is believed."""

from __future__ import annotations

from math import log, pi
from typing import Final

import numpy as np

from livemon.arrays import Array

ODD_STRETCH: Final = 0.02  # share of stretches that are odd as a whole
STRETCH_S: Final = 12.0  # a longer one is several
ALIKE: Final = 0.4  # windows of one stretch are partly the same look
# A gear slips in its own windows, a worn clutch in those whose load it cannot hold. What their rows gain in
# the others, by not having learnt from these, may be that tyre and curve were learnt wrongly: no more than as
# much again.
_OWN_WORTH: Final = 2.0


def normal(x: Array, variance: Array) -> Array:
    """Normal density of x about 0."""
    density: Array = np.exp(-0.5 * np.minimum(x * x / variance, 1000.0)) / np.sqrt(2.0 * pi * variance)
    return density


def log_mean(logs: Array) -> float:
    """ln of the mean likelihood."""
    top = float(logs.max())
    return top + log(float(np.exp(np.maximum(logs - top, -600.0)).mean()))


def soften(stretch: Array, odd: float = ODD_STRETCH) -> Array:
    """Likelihoods of one stretch, as they stand when the stretch may have been odd as a whole."""
    softened: Array = np.log((1.0 - odd) * np.exp(stretch - stretch.max()) + odd)
    return softened


class Ledger:
    """ln likelihood of every row: of finished stretches, and of the one going on."""

    def __init__(self, rows: int, odd: float = ODD_STRETCH) -> None:
        self._settled: Array = np.zeros(rows)
        self._stretch: Array = np.zeros(rows)
        self._odd = odd
        self._open = False  # the stretch going on has told something

    @property
    def as_seen(self) -> Array:
        """With the stretch going on taken for what it seems."""
        now: Array = self._settled + self._stretch
        return now

    @property
    def now(self) -> Array:
        """With the stretch going on as it stands when it may have been odd as a whole."""
        now: Array = self._settled + soften(self._stretch, self._odd)
        return now

    def add(self, told: Array) -> None:
        """One window of it, row by row."""
        self._stretch += told
        self._open = True

    def settle(self) -> Array | None:
        """The stretch is over: how likely every row takes it for odd, 0 to 1; None if it told nothing."""
        if not self._open:
            return None
        softened = soften(self._stretch, self._odd)
        self._settled += softened
        self._stretch[:] = 0.0
        self._open = False
        odd: Array = self._odd / np.exp(softened)
        return odd


def limited(told: Array, own: Array) -> Array:
    """ln evidence of rows as far as windows of their own speak for them."""
    believed: Array = np.minimum(told, _OWN_WORTH * np.maximum(own, 0.0))
    return believed
