"""Either of two: the logarithm of a mixture of two likelihoods."""

from __future__ import annotations

from math import exp, log


def mixture(share: float, value: float, other: float = 0.0) -> float:
    """ln of `share` (0 to 1) of the likelihood exp(value), the rest of exp(other); never overflows."""
    top = max(value, other)
    return top + log(share * exp(value - top) + (1.0 - share) * exp(other - top))
