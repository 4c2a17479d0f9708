"""How fast the turbine ran past the coupling point while the engine pulled, against what the curves say."""

from __future__ import annotations

from math import hypot
from typing import Final, NamedTuple

from livemon.diagnose.nuisance import TYRE_SD
from livemon.diagnose.windows import Window

# Of a curve there: five published and remembered tables (tests/vectors) against those derived for them have
# 0.12 rms at a speed ratio of 0.94 to 0.95, and K at stall is known to 0.05 or worse.
_LN_K_SD: Final = 0.15


class PastCoupling(NamedTuple):
    """Means over the time: speed ratio seen, with a sound converter and with its stator held at that torque,
    the sd of their difference; torque and engine speed."""

    seconds_s: float
    seen: float
    sound: float
    held: float
    sd: float
    torque_nm: float
    rpm: float

    @property
    def log_held(self) -> float:
        """ln likelihood of a held stator against a sound one; one that runs faster still is no sounder."""
        off, short = self.seen - self.sound, max(0.0, self.held - self.seen)
        return 0.5 * (off * abs(off) - short * short) / (self.sd * self.sd)


class PastCouplingSums:
    """`add` windows past the coupling point in which the converter clutch is not called closed."""

    def __init__(self) -> None:
        self._seconds_s = self._told_s = 0.0  # in all; with turbine speed told, whatever the tyre
        self._sums = [0.0] * 6

    def add(self, w: Window, sound: float, held: float, flow: float) -> None:
        """sound, held: speed ratio by either curve at the torque seen; flow: d speed ratio / d ln K."""
        if w.speed_ratio is None or w.pump_torque_nm is None:
            return
        seconds_s = w.end_s - w.start_s
        self._seconds_s += seconds_s
        self._told_s += seconds_s if w.turbine_told else 0.0
        told = (w.speed_ratio, sound, held, flow, w.pump_torque_nm, w.engine_rpm)
        self._sums = [s + seconds_s * x for s, x in zip(self._sums, told, strict=True)]

    @property
    def told(self) -> PastCoupling | None:
        """None before anything was driven there."""
        if self._seconds_s <= 0.0:
            return None
        seen, sound, held, flow, torque_nm, rpm = (s / self._seconds_s for s in self._sums)
        sd = hypot(TYRE_SD * (1.0 - self._told_s / self._seconds_s), _LN_K_SD * flow)
        return PastCoupling(self._seconds_s, seen, sound, held, sd, torque_nm, rpm)
