"""A reading of limited resolution says "somewhere in this interval": moments of a truncated normal.

Source: Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions 1 (1994), section 13.10.1.
"""

from __future__ import annotations

from math import erf, exp, pi, sqrt
from typing import Final

_ROOT_HALF: Final = sqrt(0.5)
ROOT_2PI: Final = sqrt(2.0 * pi)
_DENSITY: Final = 1.0 / ROOT_2PI
_FAR: Final = 6.0  # beyond this many sd the error function difference has no digits left


def truncated(mean: float, sd: float, low: float, high: float) -> tuple[float, float, float]:
    """(mass inside, mean, variance) of a normal N(mean, sd) cut to [low, high]; low < high, sd > 0.

    Where the interval lies more than 6 sd away the mass is 1e-9 and the moments are those of the
    exponential tail at the near edge, within the interval.
    """
    a, b = (low - mean) / sd, (high - mean) / sd
    mass = 0.5 * (erf(b * _ROOT_HALF) - erf(a * _ROOT_HALF))
    if a > _FAR or b < -_FAR or mass < 1e-9:
        if a <= 0.0 <= b:  # too narrow to hold any of it
            return 1e-9, 0.5 * (low + high), (high - low) ** 2 / 12.0
        depth = min(sd / (a if a > 0.0 else -b), 0.29 * (high - low))
        return 1e-9, (low + depth if a > 0.0 else high - depth), depth * depth
    pa, pb = _DENSITY * exp(-0.5 * a * a), _DENSITY * exp(-0.5 * b * b)
    shift = (pa - pb) / mass
    variance = 1.0 + (a * pa - b * pb) / mass - shift * shift
    return mass, mean + sd * shift, sd * sd * max(variance, 1e-6)


def normal(x: float, mean: float, sd: float) -> float:
    """Normal density at x, beyond 14 standard deviations that of 14: never nothing."""
    z = (x - mean) / sd
    return exp(-0.5 * min(z * z, 200.0)) / (sd * ROOT_2PI)
