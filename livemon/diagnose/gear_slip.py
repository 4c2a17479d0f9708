"""A gear that slips: the turbine runs faster than road speed and ratio say, in that gear, more so under load.

With the clutch on or open alike, slip as seen is then what clutch or fluid let through, and on top of it a
share of turbine speed. In every other gear the same car, tyre, torque signal and curve show none of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, exp, hypot, log, sqrt
from typing import Final

# Share of turbine speed lost in the gear: any size between these as likely as any other, by its logarithm.
_LEAST, _MOST = 0.05, 0.75
_EDGE_SD: Final = 0.012
_AS_BEFORE: Final = 0.6  # it slips about as much as it did when last seen to
_NEAR: Final = (0.01, 0.25)  # sd of that: of turbine speed, and of the share itself
# What a worn gear holds, of peak torque, each as likely as the next until it has been seen to hold or to
# slip; how sharply it gives way beyond, and how often it goes its own way. Common practice, no source.
_HOLDS: Final = (0.06, 0.12, 0.2, 0.32, 0.5)
_EQUAL: Final = (1.0 / len(_HOLDS),) * len(_HOLDS)
_SHARPLY: Final = 5.0
_LEAST_CHANCE, _MOST_CHANCE = 0.03, 0.9
_LEAST_SHARE: Final = 1e-4  # of belief: what has held for an hour may give way yet


def _slips(load: float) -> list[float]:
    """Chance that a gear slips at this share of peak torque, by what it holds."""
    span, load = _MOST_CHANCE - _LEAST_CHANCE, max(load, 0.01)
    return [_LEAST_CHANCE + span / (1.0 + (holds / load) ** _SHARPLY) for holds in _HOLDS]


@dataclass(slots=True)
class Slipped:
    """What a gear did when it likely slipped: means over the time, and when."""

    first_s: float
    last_s: float = 0.0
    seconds_s: float = 0.0
    share: float = 0.0  # of turbine speed lost in it
    torque_nm: float = 0.0

    @property
    def ahead(self) -> float:
        """How far the turbine ran ahead of road speed times ratio, as a share of that."""
        return self.share / (1.0 - self.share)


class GearWatch:
    """What a slipping gear does to one window. `torque_nm`: peak, scales how load loosens it."""

    def __init__(self, torque_nm: float) -> None:
        self._torque_nm = torque_nm
        self._span = log(_MOST / _LEAST)
        self._before: dict[int, float] = {}  # share lost, by gear
        self._shares: dict[int, tuple[float, ...]] = {}  # how likely it holds so much torque, by gear
        self.seen: dict[int, Slipped] = {}

    def chance(self, gear: int, torque_nm: float) -> float:
        """That this gear, if worn, slips at this torque, by what it has held and not held so far."""
        slips, shares = _slips(torque_nm / self._torque_nm), self._holds(gear)
        return sum(share * chance for share, chance in zip(shares, slips, strict=True)) / sum(shares)

    def learn(self, gear: int, torque_nm: float, slips: float, holds: float, weight: float) -> None:
        """One window at this torque; slips, holds: density of what was seen if it slips, and if it holds."""
        chances = _slips(torque_nm / self._torque_nm)
        likely = [
            share * (chance * slips + (1.0 - chance) * holds) ** weight
            for share, chance in zip(self._holds(gear), chances, strict=True)
        ]
        total = sum(likely)
        if total > 0.0:
            self._shares[gear] = tuple(max(share / total, _LEAST_SHARE) for share in likely)

    def _holds(self, gear: int) -> tuple[float, ...]:
        return self._shares.get(gear, _EQUAL)

    def density(
        self, gear: int, slip_rpm: float, sound_rpm: float, engine_rpm: float, variance: float
    ) -> float:
        """Of slip as seen [1/rpm], if converter and clutch account for `sound_rpm` of it."""
        turbine = max(engine_rpm - sound_rpm, 0.2 * engine_rpm)
        share = (slip_rpm - sound_rpm) / turbine
        sd = max(sqrt(variance) / turbine, _EDGE_SD)
        above = 0.5 * (1.0 + erf((share - _LEAST) / (1.414 * sd)))
        below = 0.5 * (1.0 + erf((_MOST - share) / (1.414 * sd)))
        any_size = 1.0 / (max(share, _LEAST) * self._span)
        before = self._before.get(gear)
        if before is not None:
            near = hypot(sd, _NEAR[0], _NEAR[1] * before)
            same = exp(-0.5 * ((share - before) / near) ** 2) / (2.507 * near)
            any_size = _AS_BEFORE * same + (1.0 - _AS_BEFORE) * any_size
        return above * below * any_size / turbine

    def slipped(self, gear: int, share: float, torque_nm: float, start_s: float, end_s: float) -> None:
        """It was likely slipping then, and lost this share of turbine speed."""
        before = self._before.get(gear, share)
        share = min(max(share, _LEAST), _MOST)
        self._before[gear] = 0.6 * before + 0.4 * share
        told = self.seen.setdefault(gear, Slipped(start_s))
        told.last_s = end_s
        told.seconds_s += end_s - start_s
        gain = (end_s - start_s) / told.seconds_s if told.seconds_s else 1.0
        told.share += gain * (share - told.share)
        told.torque_nm += gain * (torque_nm - told.torque_nm)
