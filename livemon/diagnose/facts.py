"""The numbers behind the words: means over the stretches of one regime."""

from __future__ import annotations

from collections.abc import Iterable
from math import sqrt
from typing import NamedTuple

from livemon.records import Launch


class Fact(NamedTuple):
    """Weighted mean, its standard deviation, how many stretches and seconds it rests on."""

    mean: float
    sd: float
    stretches: int
    seconds_s: float


def mean_of(records: Iterable[Launch], field: str, regime: str) -> Fact | None:
    """Mean of r_k or r_t over the stretches of one regime; None when none has it.

    Curve, mass and torque bias are common to all: the sd never falls below half of one stretch's.
    """
    total = weight = seconds = 0.0
    least, count = 1e9, 0
    for record in records:
        value, sd = getattr(record, field), getattr(record, f"{field}_sd")
        if value is None or record.details["regime"] != regime:
            continue
        w = max(record.end_s - record.start_s, 0.3) / sd**2
        total += w * value
        weight += w
        seconds += record.end_s - record.start_s
        least = min(least, sd)
        count += 1
    if not count:
        return None
    return Fact(total / weight, least * sqrt(0.25 + 0.75 / count), count, seconds)


def detail_mean(records: Iterable[Launch], key: str, regime: str) -> Fact | None:
    """Mean of one number of `details`, weighted by duration."""
    total = square = seconds = 0.0
    count = 0
    for record in records:
        value = record.details.get(key)
        if not isinstance(value, int | float) or record.details["regime"] != regime:
            continue
        duration = max(record.end_s - record.start_s, 0.3)
        total += duration * value
        square += duration * value * value
        seconds += duration
        count += 1
    if not count:
        return None
    mean = total / seconds
    return Fact(mean, sqrt(max(square / seconds - mean * mean, 0.0) / count), count, seconds)
