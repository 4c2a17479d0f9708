"""The numbers behind the words: means over the stretches of one regime, with what they share kept apart."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, log, sqrt
from typing import Final, NamedTuple

_LEAST_S: Final = 0.3
_LEAST_RATIO: Final = 0.05


class Fact(NamedTuple):
    """Weighted mean, its standard deviation, how many stretches and seconds it rests on.

    if_lost, if_seized: what the mean would be without stator reaction, and with a stator that never turns
    (0 where that plays no part).
    """

    mean: float
    sd: float
    stretches: int
    seconds_s: float
    if_lost: float = 0.0
    if_seized: float = 0.0


class Faulty(NamedTuple):
    """What a value would be with either fault of the stator."""

    lost: float = 0.0
    seized: float = 0.0


@dataclass(slots=True)
class _Sums:
    weight: float = 0.0
    value: float = 0.0
    own: float = 0.0
    shared: float = 0.0
    lost: float = 0.0
    seized: float = 0.0
    seconds_s: float = 0.0
    count: int = 0
    force: bool = False  # value is a ratio of sums of force, not yet a logarithm


class Facts:
    """Running means of r_k and r_t by regime."""

    def __init__(self) -> None:
        self._sums: dict[tuple[str, str], _Sums] = {}

    def add(
        self, field: str, regime: str, value: float, own: float, shared: float, faulty: Faulty, seconds: float
    ) -> None:
        """Take one stretch. `own`, `shared`: sd of its own and of what all stretches have in common."""
        weight = max(seconds, _LEAST_S) / (own * own + shared * shared)
        self._take((field, regime), weight, value, own, shared, faulty, seconds)

    def add_force(
        self,
        regime: str,
        taken: float,
        supplied: float,
        faulty: Faulty,
        own: float,
        shared: float,
        seconds: float,
    ) -> None:
        """Take one stretch of r_t as sums of force over weight, so that light load weighs little.

        `faulty`: what would be supplied. `own`: sd of `taken` by itself; `shared`: sd of the ratio that all
        stretches have in common.
        """
        would = Faulty(faulty.lost / supplied, faulty.seized / supplied)
        ratio = taken / supplied, own / supplied, shared
        self._take(("r_t", regime), supplied, *ratio, would, seconds).force = True

    def _take(
        self,
        key: tuple[str, str],
        weight: float,
        value: float,
        own: float,
        shared: float,
        faulty: Faulty,
        seconds: float,
    ) -> _Sums:
        sums = self._sums.setdefault(key, _Sums())
        sums.weight += weight
        sums.value += weight * value
        sums.own += (weight * own) ** 2
        sums.shared += weight * shared
        sums.lost += weight * faulty.lost
        sums.seized += weight * faulty.seized
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
        mean, lost, seized = s.value / s.weight, s.lost / s.weight, s.seized / s.weight
        if s.force:
            ratio = max(mean, _LEAST_RATIO)
            mean, lost, seized = log(ratio), log(lost), log(seized)
            # the errors are those of a sum of forces: as a logarithm it lies as many of them off zero
            sd *= mean / (ratio - 1.0) if abs(mean) > 1e-3 else 1.0
        return Fact(mean, sd, s.count, s.seconds_s, lost, seized)
