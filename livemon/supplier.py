"""Where several give the same, the first that is heard supplies it, until it has been silent for SILENT_S."""

from __future__ import annotations

from typing import Final

SILENT_S: Final = 2.0


class Supplier:
    """Whoever gives a quantity or a message. `heard_s` is set at every frame that is taken from it."""

    __slots__ = ("heard_s",)

    def __init__(self) -> None:
        self.heard_s = -1e9

    def silent(self, time_s: float) -> bool:
        """Whether another may take over. So may it after a clock was set back, or it would wait as long."""
        return abs(time_s - self.heard_s) >= SILENT_S
