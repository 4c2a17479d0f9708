"""Likelihoods row by row: densities, means, and how far a row is believed."""

from __future__ import annotations

from math import log, pi
from typing import Final

import numpy as np

from livemon.arrays import Array

ODD_STRETCH: Final = 0.02  # share of stretches that are odd as a whole
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


def limited(told: Array, own: Array) -> Array:
    """ln evidence of rows as far as windows of their own speak for them."""
    believed: Array = np.minimum(told, _OWN_WORTH * np.maximum(own, 0.0))
    return believed
