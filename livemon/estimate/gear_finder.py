"""Gears nobody told us: the ratios of engine speed to road speed that a drive keeps coming back to.

Each moment allows two ratios: the one seen (clutch closed) and the one seen less the slip at which an open
converter would take the engine's torque. Over a drive both pile up at the ratios of the gears. They are found
as the components of a mixture, added one at a time while each pays for itself (greedy EM: Verbeek, Vlassis &
Kroese, Neural Computation 15 (2003) 469, from memory). Where the box's ratios are known, and only final drive
or tyre are not, one number is looked for: all gears are shifted together.
"""

from __future__ import annotations

from math import exp, hypot, log
from typing import TYPE_CHECKING, Final, NamedTuple

from livemon.estimate.interval import ROOT_2PI
from livemon.estimate.open_slip import OpenSlip
from livemon.estimate.ratios import USUAL_TOP

if TYPE_CHECKING:
    from livemon.arrays import Array

_LEAST_KMH: Final = 7.0
_GRID: Final = (log(8.0), log(260.0), 0.004)  # ln rpm per km/h
_CELL: Final = (0.01, 2.0, 4)  # ln ratio, km/h, moments taken of each: a long cruise is one look, not many
_MOST: Final = 1500  # moments kept
_FIRST, _MORE = 40, 1.2  # moments before the first fit; growth before the next
_SHIFTING: Final = 0.05  # ln of the ratio from one moment to the next
_TOGETHER_S: Final = 0.6
_LATE_S: Final = 0.06  # what is not known of how late road speed is
_RATIO_SD: Final = 0.006
_K_SD: Final = 0.05  # ln K of the curve
_KNOWN_SD: Final = 0.1  # of x: flatter, K says nothing
_GLIDE: Final = 0.12  # mean of x with the clutch open where no torque is told
_IDLE_REACH: Final = 1.3
_ODD: Final = 0.1  # density of a moment that belongs to no gear
_ALIKE: Final = 0.3  # share of a moment that is news
_PAYS: Final = 10.0  # ln likelihood that a further gear must gain
_STARTS: Final = (0.05, 0.15, 0.35)  # share of the drive a further gear may have
_MOST_GEARS, _ROUNDS, _REACH = 10, 12, 8
_CLOSE: Final = 0.11  # ln: no two gears lie nearer
_UNEVEN: Final = 0.12  # steps between gears grow towards first by at least minus this (common practice)
# Rpm per km/h: first gears have some 60 to 160, second ones 35 to 100. The lowest gear found is likelier
# second than first below the first of these, third or higher below the second, surely first above the last.
# Common practice, no source.
_FIRST_LEAST, _THIRD_MOST, _SURELY_FIRST = 66.0, 55.0, 95.0
# A drive spends little in first gear, but every box has one: how far above the lowest gear found it is looked
# for, as a step of ln, and what it must gain.
_FIRST_STEPS, _FIRST_PAYS = (0.3, 0.75), 1.0
_USUAL_STEP, _HIGH_STEP = 0.48, 0.33
_HOLE: Final = 0.8  # a step so large hides a gear nobody used
_SAME: Final = 0.015  # ln, between two fits that mean the same gear
_LOCKED_MOMENTS: Final = 6.0
_TOP_MOST: Final = 40.0  # rpm per km/h
_SD_SHIFT: Final = 0.025
_LEAST_STARTS: Final = 2.0  # moments in first gear: every drive has some, and gears shifted by one have none
_SD_LOCKED, _SD_OPEN, _SD_GUESSED = 0.015, 0.06, 0.15


class FoundGear(NamedTuple):
    """rpm per km/h with the clutch closed, and its relative standard deviation."""

    rpm_per_kmh: float
    sd: float

    @property
    def seen(self) -> bool:
        """Found in the drive rather than guessed."""
        return self.sd < _SD_GUESSED


class GearFinder:
    """`look` at moments; `gears` are those that two fits running found, first gear first.

    ratios: of the box, first gear first, where they are known; top: rpm per km/h to be expected of the last,
    and its relative sd.
    """

    __slots__ = ("_before", "_cells", "_fitted", "_last", "_moments", "_ratios", "_slip", "_top", "gears")

    def __init__(
        self, slip: OpenSlip, ratios: tuple[float, ...] = (), top: tuple[float, float] = USUAL_TOP
    ) -> None:
        self._slip, self._ratios, self._top = slip, ratios, top
        self._moments: list[tuple[float, float, float, float]] = []  # ln ratio, sd, x if open, its sd (0: ?)
        self._cells: dict[tuple[int, int], int] = {}
        self._last: tuple[float, float] | None = None
        self._before: list[FoundGear] = []
        self._fitted = _FIRST / _MORE
        self.gears: list[FoundGear] = []

    @property
    def gaps(self) -> bool:
        """Whether the box has gears that the drive has not shown: what is taken for one found may be one of
        them."""
        seen = [gear.seen for gear in self.gears]
        highest = max((i for i, found in enumerate(seen) if found), default=-1)
        second = len(seen) > 1 and seen[1] and self.gears[1].rpm_per_kmh > _THIRD_MOST
        return not all(seen[1 if second else 0 : highest + 1])

    def forget(self) -> None:
        """A stop or a gap."""
        self._last = None

    def look(
        self, t: float, n: float, v: float, v_sd: float, v_rate: float, torque: tuple[float, float] | None,
        foot_off: bool, idle_rpm: float,
    ) -> bool:  # fmt: skip
        """One moment: speeds [rpm, km/h, km/h/s], pump torque and sd [N m] if told; true if gears changed."""
        ratio, last = log(n / v), self._last
        self._last = t, ratio
        if last is not None and t - last[0] < _TOGETHER_S and abs(ratio - last[1]) > _SHIFTING:
            return False
        if v < _LEAST_KMH or len(self._moments) >= _MOST or (foot_off and n < _IDLE_REACH * idle_rpm):
            return False
        cell = int(ratio / _CELL[0]), int(v / _CELL[1])
        seen = self._cells.get(cell, 0)
        if seen >= _CELL[2]:
            return False
        x = x_sd = 0.0
        if torque is not None:
            x, x_sd = self._slip.x_taking(*torque, n, _K_SD)
            if x_sd > _KNOWN_SD:
                return False
        self._cells[cell] = seen + 1
        self._moments.append((ratio, hypot(v_sd / v, _LATE_S * v_rate / v, _RATIO_SD), x, x_sd))
        if len(self._moments) < _MORE * self._fitted:
            return False
        self._fitted = float(len(self._moments))
        found, before = self._fit_shift() if self._ratios else self._fit(), self._before
        self._before = found
        twice = [gear for gear in found if any(_same(gear, other) for other in before)]
        if len(twice) < min(2, len(self._ratios) or 2):
            return False
        gears = twice if self._ratios else _complete(_even(twice), exp(min(r for r, *_ in self._moments)))
        if len(gears) == len(self.gears) and all(map(_same, gears, self.gears)):
            return False
        self.gears = gears
        return True

    def _fit(self) -> list[FoundGear]:
        """The mixture's gears, lowest first."""
        import numpy as np

        low, high, step = _GRID
        grid = np.arange(low, high, step)
        closed, opened = self._densities(grid)
        either = 0.5 * (closed + opened)
        count = len(either)
        at: list[int] = []
        lock: list[float] = []  # share of a gear's moments with the clutch closed
        share = np.ones(1)
        now = np.full(count, _ODD)
        while len(at) < _MOST_GEARS:
            gains = [
                _ALIKE * np.log((1.0 - start) + start * either / now[:, None]).sum(0) for start in _STARTS
            ]
            gain = np.max(gains, axis=0)
            for place in at:
                gain[np.abs(grid - grid[place]) < _CLOSE] = -1.0
            best, pays = int(np.argmax(gain)), _PAYS
            lowest = max(at, default=0)
            if gain[best] < pays and _THIRD_MOST < exp(float(grid[lowest])) < _SURELY_FIRST:
                least, most = (lowest + round(up / step) for up in _FIRST_STEPS)
                best, pays = least + int(np.argmax(gain[least:most])), _FIRST_PAYS
            if gain[best] < pays:
                break
            start = _STARTS[int(np.argmax([g[best] for g in gains]))]
            at.append(best)
            lock.append(0.5)
            share = np.append(share * (1.0 - start), start)
            for _ in range(_ROUNDS):
                parts = np.empty((count, len(at) + 1))
                parts[:, 0] = share[0] * _ODD
                for i, place in enumerate(at):
                    parts[:, i + 1] = share[i + 1] * (
                        lock[i] * closed[:, place] + (1.0 - lock[i]) * opened[:, place]
                    )
                now = parts.sum(1)
                parts /= now[:, None]
                share = np.maximum(parts.mean(0), 0.01)
                share /= share.sum()
                for i, place in enumerate(at):
                    near = slice(max(0, place - _REACH), place + _REACH + 1)
                    mine = lock[i] * closed[:, near] + (1.0 - lock[i]) * opened[:, near]
                    at[i] = near.start + int(np.argmax(parts[:, i + 1] @ np.log(mine + 1e-3)))
                    c, o = lock[i] * closed[:, at[i]], (1.0 - lock[i]) * opened[:, at[i]]
                    of = parts[:, i + 1] @ (c / (c + o + 1e-12)) / parts[:, i + 1].sum()
                    lock[i] = min(0.98, max(0.02, float(of)))
        moments = share[1:] * count
        found = []
        for i, place in enumerate(at):
            held = lock[i] * moments[i] > _LOCKED_MOMENTS
            found.append(FoundGear(exp(float(grid[place])), _SD_LOCKED if held else _SD_OPEN))
        found.sort(reverse=True)
        if found and found[0].rpm_per_kmh > _THIRD_MOST:  # no clutch is held in first gear
            found[0] = FoundGear(found[0].rpm_per_kmh, _SD_OPEN)
        return found

    def _fit_shift(self) -> list[FoundGear]:
        """All gears at known distances: where the drive has them; empty while two places do as well."""
        import numpy as np

        above = np.log(np.array(self._ratios) / self._ratios[-1])
        low, high, step = _GRID
        closed, opened = self._densities(np.arange(low, high, step))
        either = 0.5 * (closed + opened)
        top = np.arange(low, log(_TOP_MOST), step)
        mixed = np.full((len(either), len(top)), _ODD * _ODD)
        for up in np.round(above / step).astype(int):
            within = min(len(top), max(0, either.shape[1] - up))
            mixed[:, :within] += either[:, up : up + within] / len(above)
        told = _ALIKE * np.log(mixed).sum(0) - 0.5 * np.square((top - log(self._top[0])) / self._top[1])
        best = int(np.argmax(told))
        others = told[np.abs(top - top[best]) > 0.75 * _CLOSE]
        first = min(best + round(float(above[0]) / step), either.shape[1] - 1)
        starts = float((either[:, first] / mixed[:, best]).sum()) / len(above)
        if told[best] - others.max(initial=-np.inf) < _PAYS or starts < _LEAST_STARTS:
            return []
        return [FoundGear(exp(float(top[best] + up)), _SD_SHIFT) for up in above]

    def _densities(self, grid: Array) -> tuple[Array, Array]:
        """Of each moment (rows) were this the gear (columns): clutch closed, clutch open."""
        import numpy as np

        ratio, sd, x, x_sd = (np.array(column)[:, None] for column in zip(*self._moments, strict=True))
        off = ratio - grid
        closed = _bell(off, sd)
        glide = np.where(off > 0.0, np.exp(-np.abs(off) / _GLIDE) / _GLIDE, 0.0)
        opened = np.where(x_sd > 0.0, _bell(off - x, np.hypot(sd, x_sd)), glide)
        return closed, opened


def _bell(off: Array, sd: Array) -> Array:
    import numpy as np

    density: Array = np.exp(-0.5 * np.square(off / sd)) / (ROOT_2PI * sd)
    return density


def _same(one: FoundGear, other: FoundGear) -> bool:
    return abs(log(one.rpm_per_kmh / other.rpm_per_kmh)) < max(_SAME, 0.5 * one.sd)


def _even(found: list[FoundGear]) -> list[FoundGear]:
    """Without what cannot be a gear of the same box: from the highest gear down steps do not shrink much."""
    kept = found[-1:]
    step = 0.0
    for gear in reversed(found[:-1]):
        wider = log(gear.rpm_per_kmh / kept[0].rpm_per_kmh)
        if wider > step - _UNEVEN:
            kept.insert(0, gear)
            step = wider
    return kept


def _complete(found: list[FoundGear], lowest_ratio: float) -> list[FoundGear]:
    """With gears guessed where some must be, or may be, that the drive has not shown.

    lowest_ratio: rpm per km/h seen under power.
    """
    out: list[FoundGear] = []
    for gear in found:
        if out and (step := log(out[-1].rpm_per_kmh / gear.rpm_per_kmh)) > _HOLE:
            out.append(FoundGear(gear.rpm_per_kmh * exp(0.45 * step), _SD_GUESSED))
        out.append(gear)
    while out and out[0].rpm_per_kmh < _FIRST_LEAST:
        out.insert(0, FoundGear(out[0].rpm_per_kmh * exp(_USUAL_STEP), _SD_GUESSED))
    if out:
        while len(out) <= _MOST_GEARS:
            out.append(FoundGear(out[-1].rpm_per_kmh * exp(-_HIGH_STEP), _SD_GUESSED))
            if out[-1].rpm_per_kmh < lowest_ratio:
                break
    return out
