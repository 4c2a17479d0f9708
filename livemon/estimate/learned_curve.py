"""The converter's curves of a vehicle file put right by one drive: K and torque ratio, each with its spread.

What is not known is one Gaussian vector: how far the two curves are off those of the file, smooth over speed
ratio, and what is off all drive alike (torque signal, mass, losses, tyre). Each bin of speed ratio is one
measurement of both. The spreads that come out hold all of it: near the coupling point every converter passes
its torque on, which is what tells a torque signal that is off from a converter that is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, sqrt
from typing import Final

from livemon.converter.curves import Curves, at

RATIOS: Final = (0.0, 0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.93)  # rows of the learned curve
_ALIKE: Final = 0.35  # speed ratios so far apart share most of what the file's curve is off
_OVERLAP: Final = 1.5  # neighbouring bins are passed in the same launches and share their errors
_KNEE_SD: Final = 0.06  # of K in the last row, where it climbs by half within a tenth of speed ratio
TR_LEAST_SD: Final = 0.02  # between converters built alike


@dataclass(slots=True)
class Seen:
    """One bin of speed ratio: ln of seen over the file's curve, its sd, and what slow errors do to it.

    slow: for each thing that is off all drive alike, one standard deviation of it in (ln K, ln torque ratio).
    """

    speed_ratio: float
    log_k: float
    log_k_sd: float
    log_t: float
    log_t_sd: float
    slow: tuple[tuple[float, float], ...]


@dataclass(slots=True)
class Point:
    """One row of the learned curve. Spreads are one standard deviation, against the converter itself."""

    speed_ratio: float
    k: float
    k_sd: float
    torque_ratio: float
    torque_ratio_sd: float


def learned(curves: Curves, bins: Sequence[Seen]) -> list[Point]:
    """The file's curves after these measurements."""
    import numpy as np

    ratios = np.array(RATIOS)
    rows, slow = len(RATIOS), len(bins[0].slow) if bins else 0
    apart = (ratios[:, None] - ratios[None, :]) / _ALIKE
    alike = np.exp(-0.5 * apart * apart)
    k_sd = np.array([at(curves.k_sd, x) / at(curves.k, x) for x in RATIOS])
    t_sd = np.array([hypot(at(curves.tr_sd, x), TR_LEAST_SD) / at(curves.tr, x) for x in RATIOS])
    prior = np.eye(2 * rows + slow)
    prior[:rows, :rows] = alike * np.outer(k_sd, k_sd)
    prior[rows : 2 * rows, rows : 2 * rows] = alike * np.outer(t_sd, t_sd)
    mean, spread = np.zeros(2 * rows + slow), prior
    if bins:
        looks = np.zeros((2 * len(bins), 2 * rows + slow))
        came, noise = np.zeros(2 * len(bins)), np.zeros(2 * len(bins))
        for i, seen in enumerate(bins):
            for half, (value, sd) in enumerate(((seen.log_k, seen.log_k_sd), (seen.log_t, seen.log_t_sd))):
                row = 2 * i + half
                looks[row, half * rows : (half + 1) * rows] = _between(seen.speed_ratio)
                looks[row, 2 * rows :] = [pair[half] for pair in seen.slow]
                came[row], noise[row] = value, _OVERLAP * sd * sd
        gain = prior @ looks.T @ np.linalg.inv(looks @ prior @ looks.T + np.diag(noise))
        mean, spread = gain @ came, prior - gain @ looks @ prior
    sds = np.sqrt(np.maximum(np.diag(spread), 1e-8))
    sds[rows - 1] = hypot(sds[rows - 1], _KNEE_SD)
    points = []
    for i, x in enumerate(RATIOS):
        k = at(curves.k, x) * exp(float(mean[i]))
        tr = at(curves.tr, x) * exp(float(mean[rows + i]))
        points.append(Point(x, k, k * float(sds[i]), tr, tr * float(sds[rows + i])))
    return points


def _between(speed_ratio: float) -> list[float]:
    """Weights that read a curve given at RATIOS at this speed ratio."""
    weights = [0.0] * len(RATIOS)
    i = max(0, min(len(RATIOS) - 2, sum(x <= speed_ratio for x in RATIOS) - 1))
    share = min(1.0, max(0.0, (speed_ratio - RATIOS[i]) / (RATIOS[i + 1] - RATIOS[i])))
    weights[i], weights[i + 1] = 1.0 - share, share
    return weights


def together(stretches: Sequence[tuple[float, float]], least_sd: float) -> tuple[float, float]:
    """Mean and sd of stretches (mean, variance) that differ by more than their own variances say.

    A stretch in a gear that was taken wrong lies far off: what is beyond 1.5 standard deviations counts for
    less (Huber). least_sd: what one stretch differs from another at the least.
    """
    values = sorted(value for value, _ in stretches)
    middle = (
        values[len(values) // 2]
        if len(values) % 2
        else 0.5 * sum(values[len(values) // 2 - 1 : len(values) // 2 + 1])
    )
    off = sorted(abs(value - middle) for value in values)
    own = sorted(variance for _, variance in stretches)[len(stretches) // 2]
    between = max(least_sd**2, (1.48 * off[len(off) // 2]) ** 2 - own)
    total = 1.0
    for _ in range(8):
        weights = []
        for value, variance in stretches:
            sd = sqrt(variance + between)
            weights.append(min(1.0, 1.5 * sd / max(abs(value - middle), 1e-9)) / (sd * sd))
        total = sum(weights)
        middle = sum(w * value for w, (value, _) in zip(weights, stretches, strict=True)) / total
    few = 1.0 + 2.0 / len(stretches)  # a spread told from few stretches is itself not well known
    return middle, sqrt(few / total)
