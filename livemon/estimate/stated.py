"""The gear the vehicle states itself: when it said so, and how far it is to be believed.

A stated gear is nearly always the gear; some vehicles count otherwise, or state the same all drive long. How
often speeds and torque were sure of another gear is kept, as a beta-binomial count in seconds, and forgotten
slowly. A stated ratio is the gear of the vehicle file it belongs to.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import exp, inf
from typing import Final

_KEPT: Final = 256  # more than a quick bus tells between hearing and judging
_EARLY_S: Final = 0.1  # a gear stated so much later than a moment still speaks of it
_ONE_SAYING_S: Final = 0.5  # what is said again sooner is mostly the same saying
# Believed at first as after so long without, and so long with, another gear (common practice, no source)
_TRUE_S, _FALSE_S = 60.0, 6.0
_FORGET_S: Final = 300.0
_LONGEST_S: Final = 2.0  # one saying counts for no longer
_SURE: Final = 0.9
_ALIKE: Final = 0.03  # a stated ratio is within so much of the file's, as a share of it


class Stated:
    """`add` what is stated; `at` each moment in turn gives what is new, `judge` how it agreed."""

    __slots__ = ("_false_s", "_ratios", "_said", "_said_s", "_step_s", "_true_s")

    def __init__(self, ratios: Sequence[float]) -> None:
        """ratios: of the gears in the vehicle file, first gear first; none if it does not tell."""
        self._ratios = ratios
        self._true_s, self._false_s = _TRUE_S, _FALSE_S
        self.forget()

    def forget(self) -> None:
        """The clock was set."""
        self._said: deque[tuple[float, int]] = deque(maxlen=_KEPT)
        self._said_s, self._step_s = -inf, 0.0

    def add(self, t: float, gear: int) -> None:
        """gear: 1 for first, 0 for neutral."""
        self._said.append((t, gear))

    def add_ratio(self, t: float, ratio: float) -> None:
        """ratio: of the gear that is in; one that is not in the file says nothing, nor one beside neutral."""
        if self._said and self._said[-1] == (t, 0):
            return
        for i, known in enumerate(self._ratios):
            if abs(ratio - known) < _ALIKE * known:
                self._said.append((t, i + 1))

    def at(self, t: float) -> tuple[int, float] | None:
        """(the gear stated since the moment asked for before, weight of any other gear); None if none was."""
        newest = None
        while self._said and self._said[0][0] <= t + _EARLY_S:
            newest = self._said.popleft()
        if newest is None:
            return None
        self._step_s, self._said_s = max(0.0, newest[0] - self._said_s), newest[0]
        other = 0.5 * self._false_s / self._true_s
        return newest[1], min(1.0, other) ** min(1.0, self._step_s / _ONE_SAYING_S)

    def judge(self, agrees: bool, probability: float) -> None:
        """Whether the gear found likeliest with what was stated is the stated one."""
        if probability < _SURE:
            return
        step_s = min(self._step_s, _LONGEST_S)
        keep = exp(-step_s / _FORGET_S)
        self._true_s += (1.0 - keep) * (_TRUE_S - self._true_s)
        self._false_s += (1.0 - keep) * (_FALSE_S - self._false_s)
        if agrees:
            self._true_s += step_s
        else:
            self._false_s += step_s
