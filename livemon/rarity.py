"""How rare a thing is, as a person says it."""

from __future__ import annotations

from math import floor, log10
from typing import Final

_RAREST: Final = 1_000_000
_OFTEN: Final = 0.5


def once_in(probability: float) -> str:
    """A small probability (0 to 1) as "once in 30 000"; the models behind one are no better than a digit."""
    if probability < 1.0 / _RAREST:
        return f"less than once in {grouped(_RAREST)}"
    return f"once in {grouped(one_digit(1.0 / probability))}" if probability < _OFTEN else "often"


def one_digit(value: float) -> int:
    """A count rounded to its first digit."""
    step: int = 10 ** floor(log10(value))
    return round(value / step) * step


def grouped(value: int) -> str:
    """Thousands apart, as they are read."""
    return f"{value:,}".replace(",", " ")
