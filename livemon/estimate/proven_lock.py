"""Which road-speed readings fell into a stretch whose clutch is certainly closed."""

from __future__ import annotations

from typing import Final

from livemon.estimate.gear_tick import Tick

_SURE, _SHIFTS = 0.9, 0.05  # probability of the closed clutch and its gear, and at most of a shift
_PROVEN_S: Final = 2.5  # a clutch that has been closed so long is

Speed = tuple[float, float, float]  # time, reading and its width [s, km/h, km/h]


class ProvenLock:
    """Asked about one road-speed reading after another: `at`."""

    __slots__ = ("_since_s", "_telling")

    def __init__(self) -> None:
        self._since_s = 0.0
        self._telling = False  # this stretch has shown that it is one: an open converter would have slipped

    def at(self, t: float, tick: Tick | None) -> Tick | None:
        """The moment of the gear chain nearest to t, if the clutch is certainly closed then; else None."""
        if tick is None or tick.still or tick.locked * tick.probability < _SURE or tick.shifting > _SHIFTS:
            self._telling, self._since_s = False, t
            return None
        self._telling = self._telling or tick.telling
        return tick if self._telling and t - self._since_s > _PROVEN_S else None
