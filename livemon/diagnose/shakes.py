"""Scatter of engine speed about its smooth course: shows that the driveline shakes, not how fast.

Sampling slower than twice the shake folds its frequency, but not its size. What is left of a reading after
the straight line between its two neighbours is rounding on a smooth drive, and the shake on a rough one.
"""

from __future__ import annotations

from math import log, sqrt
from typing import Final

from livemon.records import Estimate

_SPAN_S: Final = 0.5  # between the outer two of three readings; further apart a smooth drive bends too
_CALM_RPM_S: Final = 200.0  # likewise
_AFTER_SHIFT_S: Final = 1.5
_IDLE_RPM: Final = 1000.0
_ON_SR: Final = 0.95  # above it, past first gear, a shaking clutch is easily taken for an open one
_OPEN_SR: Final = 0.93
_BLOCK_S: Final = 2.0
_BLOCK_LEAST: Final = 4
_LEAST_RPM: Final = 5.0  # rounding is 0.25 rpm; below this nobody feels it. Common practice, no source
_OVER_OPEN: Final = 3.0
_BLOCKS: Final = 8
_SHAKING: Final = 3
_FROM, _FULL = 0.08, 0.25  # share of blocks that shake; rough roads and restless feet stay below the first
_FOLD: Final = 1.0 / 1.5  # the line between two neighbours scatters too: white scatter comes out 1.5 fold
# Something shakes: eight times as often with a bad clutch as with misfire, mounts or a rough road.
_SHAKES: Final = log(8.0)
_NOT_WHEN_OPEN: Final = log(2.5)  # under load with the clutch open it runs smoothly: misfire would not
_OPEN_TOO: Final = log(0.3)


class Blocks:
    """Stretches of two seconds in one state of the clutch."""

    __slots__ = ("count", "n", "rms_rpm", "shaking", "start_s", "strongest_rpm", "sum")

    def __init__(self) -> None:
        self.count = self.shaking = self.n = 0
        self.sum = self.start_s = self.rms_rpm = self.strongest_rpm = 0.0

    def add(self, time_s: float, square: float, limit_rpm: float) -> None:
        if time_s - self.start_s > _BLOCK_S:
            if self.n >= _BLOCK_LEAST:
                rms = sqrt(self.sum / self.n * _FOLD)
                self.count += 1
                self.rms_rpm += (rms - self.rms_rpm) / min(self.count, 100)
                if rms > limit_rpm:
                    self.shaking += 1
                    self.strongest_rpm = max(self.strongest_rpm, rms)
            self.start_s, self.n, self.sum = time_s, 0, 0.0
        self.n += 1
        self.sum += square

    @property
    def share(self) -> float:
        return self.shaking / self.count if self.count else 0.0


class ShakeWatch:
    """Feed every Estimate. `on`: clutch on, as far as slip tells; `open`: clutch open, engine pulling."""

    __slots__ = ("_a", "_b", "_key", "_since_s", "on", "open")

    def __init__(self) -> None:
        self.on, self.open = Blocks(), Blocks()
        self._a: Estimate | None = None
        self._b: Estimate | None = None
        self._key: int | None = None
        self._since_s = 0.0

    def feed(self, e: Estimate) -> None:
        """Take one Estimate, in time order. The hot path."""
        if e.regime not in ("locked", "pull") or e.engine_rpm < _IDLE_RPM:
            self._key = self._b = None
            return
        a, b = self._a, self._b
        self._a, self._b = b, e
        if e.gear != self._key or b is None:
            self._key, self._since_s = e.gear, e.time_s
            self._a = None
            return
        if a is None or b.time_s - self._since_s < _AFTER_SHIFT_S or abs(b.engine_accel_rpm_s) > _CALM_RPM_S:
            return
        span_s = e.time_s - a.time_s
        if not 0.0 < span_s < _SPAN_S or (b.pump_torque_nm is not None and b.pump_torque_nm < 10.0):
            return
        if a.pedal_pct is not None and e.pedal_pct is not None and abs(e.pedal_pct - a.pedal_pct) > 3.0:
            return
        left = b.engine_rpm - a.engine_rpm - (e.engine_rpm - a.engine_rpm) * (b.time_s - a.time_s) / span_s
        ratio = b.speed_ratio or 0.0
        if b.regime == "locked" or (ratio > _ON_SR and (b.gear or 0) > 1):
            # What shakes as much with the clutch open, under load, is how this engine runs.
            limit = max(_LEAST_RPM, _OVER_OPEN * min(self.open.rms_rpm, _LEAST_RPM))
            self.on.add(b.time_s, left * left, limit)
        elif ratio < _OPEN_SR:
            self.open.add(b.time_s, left * left, _LEAST_RPM)

    @property
    def strength(self) -> float:
        """0 (smooth, or too little seen) to 1 (shakes for a good part of the time with the clutch on)."""
        if self.on.count < _BLOCKS or self.on.shaking < _SHAKING:
            return 0.0
        return min(max((self.on.share - _FROM) / (_FULL - _FROM), 0.0), 1.0)

    @property
    def log_evidence_if_full(self) -> float:
        """ln evidence, at full strength, of clutch shudder of unseen frequency against a sound vehicle.

        A sound vehicle may misfire. Weigh it by `strength`.
        """
        total = _SHAKES
        if self.open.count >= _BLOCKS:
            total = _OPEN_TOO if self.open.share > 0.5 * self.on.share else total + _NOT_WHEN_OPEN
        return total
