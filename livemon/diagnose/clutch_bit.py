"""What the vehicle says of its converter clutch, applied or not, and whether to believe it.

A control tells what it commands, or what it takes the clutch to do. A bit that never changes may mean
anything, one that says released where engine and turbine turn as one has another sense than it seems.
"""

from __future__ import annotations

from math import inf
from typing import Final

from livemon.diagnose.windows import Window

_COMES_ON_S: Final = 2.0  # after it is commanded
_OPEN_COMING, _OPEN_APPLIED, _OPEN_RELEASED = 0.5, 0.05, 0.95  # chance that the clutch is open
# Believed at first as after so long of each; and from this share of time closed. Common practice, no source.
_AGREES_S, _CONTRADICTS_S = 10.0, 1.0
_BELIEVED: Final = 0.8


class ClutchBit:
    """`feed` every window that drives; `open` as long as the bit is believed."""

    __slots__ = ("_agrees_s", "_contradicts_s", "_seen", "_since_s")

    def __init__(self) -> None:
        self._seen: set[bool] = set()
        self._agrees_s, self._contradicts_s = _AGREES_S, _CONTRADICTS_S
        self._since_s = -inf

    def open(self, w: Window) -> float | None:
        """Chance that a working clutch is open in this window; None: nothing says so that can be believed."""
        applied = w.clutch_applied
        if applied is None:
            return None
        if not self._seen:
            self._since_s = w.start_s
        self._seen.add(applied)
        if w.turbine_source == "broadcast" and w.regime == "locked":
            if applied:
                self._agrees_s += w.end_s - w.start_s
            else:
                self._contradicts_s += w.end_s - w.start_s
        closed_s = self._agrees_s + self._contradicts_s
        if len(self._seen) < 2 or self._agrees_s < _BELIEVED * closed_s:
            return None
        if not applied:
            self._since_s = w.end_s
            return _OPEN_RELEASED
        return _OPEN_COMING if w.start_s - self._since_s < _COMES_ON_S else _OPEN_APPLIED
