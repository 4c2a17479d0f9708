"""The ticks of the gear chain that unsettled moments may still ask for: the nearest, and between two."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from livemon.estimate.gear_tick import Tick

_STALE_S: Final = 1.2
_APART_S: Final = 0.5  # ticks further apart say nothing of what lies between


class Ticks:
    """`append` the newest; ask `at` for moments in any order, cheapest in their own."""

    __slots__ = ("_index", "_ticks")

    def __init__(self) -> None:
        self._ticks: list[Tick] = []
        self._index = 0  # where the last answer was

    def __len__(self) -> int:
        return len(self._ticks)

    def append(self, tick: Tick) -> None:
        """Its time comes after all others'."""
        self._ticks.append(tick)

    def clear(self) -> None:
        """None of them holds any longer."""
        self._ticks.clear()
        self._index = 0

    def since(self, t: float) -> tuple[list[Tick], int]:
        """All, and the index of the first one after t."""
        ticks = self._ticks
        start = len(ticks)
        while start > 0 and ticks[start - 1].t > t:
            start -= 1
        return ticks, start

    def stood(self, neutral: Iterable[float]) -> None:
        """Probability of neutral at the moments of the last stop, newest first."""
        still = (tick for tick in reversed(self._ticks) if tick.still)
        for p, tick in zip(neutral, still, strict=False):  # on the move there is none, and no tick is asked
            tick.neutral = p

    def trim(self, before: float) -> None:
        """Forget those of which nobody asks any more."""
        ticks, n = self._ticks, 0
        while n + 2 < len(ticks) and ticks[n + 1].t < before:
            n += 1
        del ticks[:n]
        self._index = max(0, self._index - n)

    def at(self, t: float) -> Tick | None:
        """The tick nearest to t."""
        ticks = self._ticks
        last = len(ticks) - 1
        i = min(self._index, last)
        if i < 0:
            return None
        off = abs(ticks[i].t - t)
        while i < last and (later := abs(ticks[i + 1].t - t)) <= off:
            i, off = i + 1, later
        while i > 0 and (earlier := abs(ticks[i - 1].t - t)) < off:
            i, off = i - 1, earlier
        self._index = i
        return ticks[i] if off < _STALE_S else None

    def open_k(self, tick: Tick | None, t: float) -> tuple[float, float]:
        """mean_k and spread_k2 between the two ticks around t; where only one is on the move, of the nearest,
        `tick`, as `at` has just given it."""
        if tick is None:
            return 0.0, 0.0
        i = self._index + (1 if t > tick.t else -1)
        other = self._ticks[i] if 0 <= i < len(self._ticks) else tick
        moving = tick.alpha is not None and other.alpha is not None
        near = moving and 0.0 < abs(other.t - tick.t) < _APART_S
        return tick.open_k(other, t) if near else (tick.mean_k, tick.spread_k2)
