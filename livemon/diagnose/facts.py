"""The numbers behind the words: means over the stretches of one regime, with what they share kept apart."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot, log, sqrt
from typing import Final, NamedTuple

from livemon.records import Launch

_LEAST_S: Final = 0.3
_LEAST_RATIO: Final = 0.05


class Fact(NamedTuple):
    """Weighted mean, its standard deviation, how many stretches and seconds it rests on.

    `if_lost`: what the mean would be without stator reaction (0 where that plays no part).
    """

    mean: float
    sd: float
    stretches: int
    seconds_s: float
    if_lost: float = 0.0


@dataclass(slots=True)
class _Sums:
    weight: float = 0.0
    value: float = 0.0
    own: float = 0.0
    shared: float = 0.0
    lost: float = 0.0
    seconds_s: float = 0.0
    count: int = 0
    force: bool = False  # value is a ratio of sums of force, not yet a logarithm


class Facts:
    """Running means of r_k and r_t by regime."""

    def __init__(self) -> None:
        self._sums: dict[tuple[str, str], _Sums] = {}

    def add(
        self, field: str, regime: str, value: float, own: float, shared: float, lost: float, seconds: float
    ) -> None:
        """Take one stretch. `own`, `shared`: sd of its own and of what all stretches have in common."""
        weight = max(seconds, _LEAST_S) / (own * own + shared * shared)
        self._take((field, regime), weight, value, own, shared, lost, seconds)

    def add_force(
        self,
        regime: str,
        taken: float,
        supplied: float,
        lost: float,
        own: float,
        shared: float,
        seconds: float,
    ) -> None:
        """Take one stretch of r_t as sums of force over weight, so that light load weighs little.

        `lost`: what would be supplied without stator reaction. `own`: sd of `taken` by itself; `shared`: sd
        of the ratio that all stretches have in common.
        """
        ratios = taken / supplied, own / supplied, shared, lost / supplied
        self._take(("r_t", regime), supplied, *ratios, seconds).force = True

    def _take(
        self,
        key: tuple[str, str],
        weight: float,
        value: float,
        own: float,
        shared: float,
        lost: float,
        seconds: float,
    ) -> _Sums:
        sums = self._sums.setdefault(key, _Sums())
        sums.weight += weight
        sums.value += weight * value
        sums.own += (weight * own) ** 2
        sums.shared += weight * shared
        sums.lost += weight * lost
        sums.seconds_s += seconds
        sums.count += 1
        return sums

    def mean(self, field: str, regime: str) -> Fact | None:
        """Mean of r_k or r_t over the stretches of one regime; None when none has it.

        Curve, mass, tyre and torque bias are common to all stretches: that part of the sd never averages.
        """
        s = self._sums.get((field, regime))
        if s is None:
            return None
        sd = hypot(sqrt(s.own), s.shared) / s.weight
        mean, lost = s.value / s.weight, s.lost / s.weight
        if s.force:
            ratio = max(mean, _LEAST_RATIO)
            mean, lost = log(ratio), log(lost)
            # the errors are those of a sum of forces: as a logarithm it lies as many of them off zero
            sd *= mean / (ratio - 1.0) if abs(mean) > 1e-3 else 1.0
        return Fact(mean, sd, s.count, s.seconds_s, lost)


def detail_mean(records: Iterable[Launch], key: str, regime: str) -> Fact | None:
    """Mean of one number of `details`, weighted by duration."""
    total = square = seconds = 0.0
    count = 0
    for record in records:
        value = record.details.get(key)
        if not isinstance(value, int | float) or record.details["regime"] != regime:
            continue
        duration = max(record.end_s - record.start_s, _LEAST_S)
        total += duration * value
        square += duration * value * value
        seconds += duration
        count += 1
    if not count:
        return None
    mean = total / seconds
    return Fact(mean, sqrt(max(square / seconds - mean * mean, 0.0) / count), count, seconds)
