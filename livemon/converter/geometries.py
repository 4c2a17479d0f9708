"""Plausible geometries: what the wheels inside a converter may look like when only its numbers are known.

A low-discrepancy sample over the ranges in `_RANGES` stands for every converter a shop may meet. For a
given stall torque ratio and coupling point the nearest of the sample are taken and weighted; how much
they still differ among themselves is how little those two numbers tell.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livemon.arrays import Array
from livemon.converter.mean_path import Geometry, operating_point

# Ranges: the mean-path design space about the set of [hrovat-tobler], widened until the published tables
# named in docs/converter.md lie inside what the sample spans. Radii over the pump's; angles in degrees.
_RANGES: Final[dict[str, tuple[float, float]]] = {
    "turbine_radius": (0.42, 0.62),
    "stator_over_turbine_radius": (0.85, 1.05),
    "pump_exit": (-40.0, 13.0),
    "turbine_exit": (-65.0, -30.0),
    "stator_exit": (22.0, 66.0),
    "pump_inlet": (-50.0, 10.0),
    "turbine_inlet": (15.0, 62.0),
    "stator_inlet": (-48.0, 14.0),
    "shock": (0.72, 1.2),
    "friction": (0.15, 0.4),
}
_SAMPLE: Final = 3000
_NEAREST: Final = 160
# How far a member may be from the wanted numbers before its shape says little: a tenth in torque gain
# and 0.02 in speed ratio, about what two examples of one design differ by.
_GAIN_SCALE: Final = 0.12
_COUPLING_SCALE: Final = 0.025


@dataclass(frozen=True, slots=True)
class Sample:
    """Geometries (fields of shape (n, 1)), each with its stall torque ratio and coupling point (n,)."""

    geometry: Geometry
    torque_ratio: Array
    coupling: Array

    def pick(self, which: NDArray[np.intp]) -> Sample:
        """The members at the given indices."""
        picked = {f.name: np.asarray(getattr(self.geometry, f.name))[which] for f in fields(Geometry)}
        return Sample(replace(self.geometry, **picked), self.torque_ratio[which], self.coupling[which])


@lru_cache(maxsize=1)
def everything() -> Sample:
    """The whole sample, made once: about 20 ms."""
    unit = _spread(_SAMPLE, len(_RANGES))
    value = {
        name: (low + (high - low) * unit[:, i])[:, None]
        for i, (name, (low, high)) in enumerate(_RANGES.items())
    }
    tan = {name: np.tan(np.radians(v)) for name, v in value.items() if name.endswith(("exit", "inlet"))}
    one = np.ones((_SAMPLE, 1))
    geometry = Geometry(
        pump_radius_m=one,
        turbine_radius_m=value["turbine_radius"],
        stator_radius_m=value["turbine_radius"] * value["stator_over_turbine_radius"],
        shock=value["shock"],
        friction=value["friction"],
        area_m2=one,
        density_kg_m3=one,
        **{f"{name}_tan": t for name, t in tan.items()},
    )
    speed_ratio = np.array([0.0, 0.55, 0.65, 0.75, 0.8, 0.85, 0.9, 0.95, 0.99])
    held = operating_point(geometry, 1.0, speed_ratio, "held")
    torque_ratio = held.torque_ratio[:, 0]
    coupling = _first_zero(held.stator_nm, speed_ratio)
    usable = np.flatnonzero((torque_ratio > 1.1) & (coupling > 0.55) & (coupling < 0.99))
    return Sample(geometry, torque_ratio, coupling).pick(usable)


def nearest(torque_ratio: float, coupling: float) -> tuple[Sample, Array, float]:
    """Members closest to the wanted numbers, their weights (sum 1) and their typical distance in scales.

    torque_ratio > 1 at stall, coupling in 0..1. A distance well above 1 means the sample has nothing like it.
    """
    sample = everything()
    gain = np.log((sample.torque_ratio - 1.0) / max(torque_ratio - 1.0, 0.05)) / _GAIN_SCALE
    distance2 = gain**2 + ((sample.coupling - coupling) / _COUPLING_SCALE) ** 2
    which = np.argpartition(distance2, _NEAREST)[:_NEAREST]
    typical = float(np.median(distance2[which]))
    weight = np.exp(-0.5 * distance2[which] / max(1.0, typical))
    return sample.pick(which), weight / weight.sum(), typical**0.5


def _spread(count: int, dimensions: int) -> Array:
    """`count` points spread evenly over the unit cube: the additive recurrence on powers of 1 / phi_d,
    where phi_d is the root of x^(d+1) = x + 1 [roberts-sequence]. The same points every time."""
    phi = 2.0
    for _ in range(40):
        phi = (1.0 + phi) ** (1.0 / (dimensions + 1))
    steps = phi ** -np.arange(1.0, dimensions + 1)
    return (0.5 + np.arange(1.0, count + 1)[:, None] * steps) % 1.0


def _first_zero(torque: Array, speed_ratio: Array) -> Array:
    """Speed ratio at which each row of torque first falls through zero; the last one where it never does."""
    below = np.argmax(torque < 0.0, axis=1)
    never = ~np.any(torque < 0.0, axis=1)
    at = np.maximum(below, 1)
    row = np.arange(len(torque))
    before, after = torque[row, at - 1], torque[row, at]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.nan_to_num(before / (before - after))
    found = speed_ratio[at - 1] + share * (speed_ratio[at] - speed_ratio[at - 1])
    return np.where(never, speed_ratio[-1], np.where(below == 0, 0.0, found))
