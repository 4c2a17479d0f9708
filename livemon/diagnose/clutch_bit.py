"""What the vehicle says of its converter clutch, applied or not, and whether to believe it.

A control tells what it commands, or what it takes the clutch to do. A bit that never changes may mean
anything, one that says released where engine and turbine turn as one has another sense than it seems.
"""

from __future__ import annotations

from math import inf
from typing import Final

from livemon.diagnose.windows import Window

_COMES_ON_S: Final = 2.0  # after it is commanded
# Chance that a working clutch is open, by whether it is said to be applied.
OPEN_SAID: Final = {True: 0.05, False: 0.95}
# Believed at first as after so long of each; and from this share of time closed. Common practice, no source.
_AGREES_S, _CONTRADICTS_S = 10.0, 1.0
_BELIEVED: Final = 0.8


class ClutchBit:
    """`feed` every window. says: whether the clutch is applied in it, be it that it slips; None: nothing says
    so that can be believed. coming: it has just been commanded."""

    __slots__ = ("_agrees_s", "_contradicts_s", "_seen", "_since_s", "coming", "says")

    def __init__(self) -> None:
        self._seen: set[bool] = set()
        self._agrees_s, self._contradicts_s = _AGREES_S, _CONTRADICTS_S
        self._since_s = -inf
        self.says: bool | None = None
        self.coming = False

    @property
    def believed(self) -> bool:
        """Whether it has said both, and not against what was seen."""
        return len(self._seen) > 1 and not self.contradicted

    @property
    def contradicted(self) -> bool:
        """Whether it says released where engine and turbine turn as one."""
        return self._agrees_s < _BELIEVED * (self._agrees_s + self._contradicts_s)

    def feed(self, w: Window) -> None:
        """Take one window, in time order."""
        applied, self.says, self.coming = w.clutch_applied, None, False
        if applied is None:
            return
        if not self._seen:
            self._since_s = w.start_s
        self._seen.add(applied)
        if w.turbine_told and w.regime == "locked":
            if applied:
                self._agrees_s += w.end_s - w.start_s
            else:
                self._contradicts_s += w.end_s - w.start_s
        if not applied:
            self._since_s = w.end_s
        if self.believed:
            self.says, self.coming = applied, applied and w.start_s - self._since_s < _COMES_ON_S
