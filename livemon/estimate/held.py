"""Readings of slow signals and their values in between, with how far those may be off."""

from __future__ import annotations

from bisect import bisect_left
from math import sqrt
from typing import Final

FRESH_S: Final = 1.2
_FRESH_PERIODS, _FRESH_MOST_S = 2.2, 3.5
# Between two readings a signal goes its own way: this share of their difference, and this share of how it has
# been wandering.
_BETWEEN: Final = 0.3
_WANDERS: Final = 0.2
_WANDER_S: Final = 20.0
_LONG_GAP_S: Final = 4.0
_REVS_UP: Final = 1.7  # square of engine speed, over that at the reading before


class Held:
    """`add` readings in time order; `near` gives the value at a time, `unsure` its standard deviation."""

    __slots__ = ("_of", "_period_s", "_wander")

    def __init__(self) -> None:
        # Times, values, and engine speed as each was read (0 if it was not told).
        self._of: dict[str, tuple[list[float], list[float], list[float]]] = {}
        self._wander: dict[str, float] = {}  # mean of squared change a second between readings
        self._period_s: dict[str, float] = {}  # mean time between readings

    def __contains__(self, quantity: str) -> bool:
        return quantity in self._of

    def add(self, quantity: str, t: float, value: float, rpm: float = 0.0) -> None:
        """Take one reading; rpm: of the engine, 0 where nothing tells."""
        held = self._of.get(quantity)
        if held is None:
            held = self._of[quantity] = ([], [], [])
        times, values, turned = held
        if times and 0.0 < (apart := t - times[-1]) < _LONG_GAP_S:
            was = self._wander.get(quantity, 0.0)
            weight = min(1.0, apart / _WANDER_S) if was else 1.0
            self._wander[quantity] = was + weight * ((value - values[-1]) ** 2 / apart - was)
            period_s = self._period_s.get(quantity, apart)
            self._period_s[quantity] = period_s + 0.1 * (apart - period_s)
        times.append(t)
        values.append(value)
        turned.append(rpm)

    def turned(self, quantity: str, rpm: float) -> None:
        """How fast the engine turned when the newest reading was taken."""
        self._of[quantity][2][-1] = rpm

    def forget(self) -> None:
        """The clock was set: nothing before can be compared with what comes."""
        self._of = {}

    def trim(self, before: float) -> None:
        """Forget what is older, but for the last reading."""
        for times, values, turned in self._of.values():
            n = bisect_left(times, before) - 1
            if n > 0:
                del times[:n], values[:n], turned[:n]

    def near(self, quantity: str, t: float, stale_s: float) -> float | None:
        """Linear between the readings around t; the nearer one where the other is too far off."""
        if (held := self._of.get(quantity)) is None or (at := _around(held[0], t, stale_s)) is None:
            return None
        (_, values, _), (i, j, share) = held, at
        return values[i] + (values[j] - values[i]) * share

    def near_turning(
        self, quantity: str, t: float, stale_s: float, rpm: float, per_turn: bool
    ) -> float | None:
        """The same of what goes with torque, at this engine speed: as an engine revs up torque comes as its
        speed does. per_turn: it goes with engine speed as well."""
        if (held := self._of.get(quantity)) is None or (at := _around(held[0], t, stale_s)) is None:
            return None
        (_, values, turned), (i, j, share) = held, at
        first, last = values[i], values[j]
        if turned[i] > 0.0 and turned[j] > 0.0:
            if per_turn:
                first, last = first * rpm / turned[i], last * rpm / turned[j]
            least, most = turned[i] ** 2, turned[j] ** 2
            if last > first and most > _REVS_UP * least:
                share = min(1.0, max(0.0, (rpm * rpm - least) / (most - least)))
        return first + (last - first) * share

    def fresh_s(self, quantity: str) -> float:
        """How old a reading may be: some periods of its own."""
        period_s = self._period_s.get(quantity, 0.0)
        return min(max(FRESH_S, _FRESH_PERIODS * period_s), _FRESH_MOST_S)

    def unsure(self, quantity: str, t: float) -> float:
        """How far `near` may be off (sd): nothing at a reading, most between two far apart."""
        times, values, _ = self._of[quantity]
        i, wander = bisect_left(times, t), _WANDERS * self._wander.get(quantity, 0.0)
        if i == len(times):
            return sqrt(wander * max(t - times[-1], 0.0))
        after = times[i] - t
        if i == 0:
            return sqrt(wander * after)
        before, step = t - times[i - 1], values[i] - values[i - 1]
        apart = before + after
        share = before * after / apart  # of a Brownian bridge
        return sqrt((2.0 * _BETWEEN * step) ** 2 * share / apart + wander * share)


def _around(times: list[float], t: float, stale_s: float) -> tuple[int, int, float] | None:
    """Places of the readings before and after t, and how far it is on the way; of the nearer one twice where
    the other is too far off."""
    i = bisect_left(times, t)
    if i == len(times):
        return (i - 1, i - 1, 0.0) if t - times[-1] < stale_s else None
    after = times[i] - t
    if i == 0:
        return (0, 0, 0.0) if after < stale_s else None
    before = t - times[i - 1]
    if before + after < stale_s:
        return i - 1, i, before / (before + after)
    if before < stale_s:
        return i - 1, i - 1, 0.0
    return (i, i, 0.0) if after < stale_s else None
