"""How far the road has climbed, from barometric pressure: a hill that lasts is not drag.

Pressure falls by a thousandth for each 8.4 m of climb [us-standard-atmosphere]. Vehicles tell it in whole
kPa, about 85 m each, so only climbs over kilometres show.
"""

from __future__ import annotations

from math import log, sqrt
from typing import Final, NamedTuple

from livemon.diagnose.windows import Window
from livemon.quantities import BAROMETER_KPA

_SCALE_HEIGHT_M: Final = 8435.0  # at sea level, 15 degrees
_STEP_SD_KPA: Final = 0.4  # whole kPa, and wind about the sensor
_LEAST_M: Final = 1500.0  # nearer together two readings say nothing of the slope
_STEEPEST: Final = 0.15  # no road climbs so for kilometres: a sensor that starts late


class Slope(NamedTuple):
    """Mean slope of the road since the climb began, its sd, and how far that was [m]."""

    value: float
    sd: float
    length_m: float


class Climb:
    """`feed` windows, note the `barometer`; a Slope comes back when it has something to say."""

    def __init__(self) -> None:
        self._kpa: float | None = None  # where the stretch of road began
        self._length_m = 0.0

    def feed(self, w: Window) -> None:
        """Take one window: the distance it went."""
        self._length_m += (w.road_speed_m_s or 0.0) * max(w.end_s - w.start_s, 0.0)

    def barometer(self, kpa: float) -> Slope | None:
        """Take a reading [kPa]."""
        if not BAROMETER_KPA[0] < kpa < BAROMETER_KPA[1]:
            return None
        before, length_m = self._kpa, self._length_m
        if before is not None and length_m < _LEAST_M:
            return None
        self._kpa, self._length_m = kpa, 0.0
        if before is None:
            return None
        slope = _SCALE_HEIGHT_M * log(before / kpa) / length_m
        sd = sqrt(2.0) * _STEP_SD_KPA / kpa * _SCALE_HEIGHT_M / length_m
        return Slope(slope, sd, length_m) if abs(slope) < _STEEPEST else None
