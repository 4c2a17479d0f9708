"""Do the gear ratios of the vehicle file fit this vehicle at all?

A steady drive spends its time where engine speed over road speed is that of a gear, or a few per cent above
while the converter is open. With another final drive or tyre than the file says, it spends it between: then
slip, shares of torque and forces are all wrong, and nothing may be called.
"""

from __future__ import annotations

from math import exp, log
from typing import Final

import numpy as np

from livemon.diagnose.windows import Window
from livemon.quantities import RPM_TO_RAD_S
from livemon.vehicle import Vehicle, turbine_rad_per_m

_BIN: Final = 0.005  # of ln(engine rpm / (m/s))
_LOWEST, _HIGHEST = log(10.0), log(2000.0)
_WITHIN: Final = 0.02  # a gear and what tyre, rounding and controlled slip make of it
_TYRE: Final = 0.015  # what the tyre may be off by; held to fit as well
_SHIFTS: Final = tuple(0.01 * step for step in range(-28, 29))  # to about the next gear
_OPEN: Final = (0.02, 0.13)  # shifts that a converter clutch never on, or a worn one, may show
_LEAST_S: Final = 90.0
_FITS, _FITS_ELSEWHERE = 0.1, 0.4  # share of the time; set on sound and faulty drives of two simulators
_SECOND_GEAR: Final = 0.05  # least share of the time in a second gear that lies elsewhere as well
_STEADY_RPM_S, _STEADY_M_S2, _LEAST_M_S = 60.0, 0.6, 10.0


class FileFit:
    """`feed` windows; `off` says by what factor the file's ratios miss."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._final = vehicle.final_drive
        per_m = turbine_rad_per_m(vehicle)
        self._gears = [log(turns.value / RPM_TO_RAD_S) for turns in per_m] if len(per_m) > 1 else []
        self._seconds = np.zeros(int((_HIGHEST - _LOWEST) / _BIN))
        self._total_s = self._told_at_s = 0.0
        # Factor on the file's final drive with which it would fit; None where it fits, or nobody knows.
        self.off: float | None = None

    def feed(self, w: Window) -> None:
        """Take one window."""
        speed = w.road_speed_m_s
        if not self._gears or speed is None or speed < _LEAST_M_S or w.regime == "shift":
            return
        if abs(w.engine_accel_rpm_s) > _STEADY_RPM_S or abs(w.road_accel_m_s2) > _STEADY_M_S2:
            return
        at = int((log(max(w.engine_rpm, 1.0) / speed) - _LOWEST) / _BIN)
        if 0 <= at < len(self._seconds):
            seconds = max(w.end_s - w.start_s, 0.0)
            self._seconds[at] += seconds
            self._total_s += seconds
            # By what came, never by when somebody asked: asking changes nothing.
            if self._total_s > max(_LEAST_S, 1.05 * self._told_at_s):
                self._told_at_s, self.off = self._total_s, self._look()

    def _look(self) -> float | None:
        if max(sum(self._shares(shift)) for shift in (-_TYRE, 0.0, _TYRE)) > _FITS:
            return None
        share, shift = max((sum(self._shares(shift)), shift) for shift in _SHIFTS)
        if share < _FITS_ELSEWHERE or _OPEN[0] <= shift <= _OPEN[1]:
            return None
        # One gear alone that lies elsewhere may be a clutch that slips, its slip counted from the next gear.
        return exp(shift) if sorted(self._shares(shift))[-2] > _SECOND_GEAR else None

    def _shares(self, shift: float) -> list[float]:
        """Of the time, near each gear of the file shifted by so much."""
        shares, free = [], 0
        for gear in sorted(self._gears):
            middle = (gear + shift - _LOWEST) / _BIN
            first = max(round(middle - _WITHIN / _BIN), free)
            free = max(round(middle + _WITHIN / _BIN), first)
            shares.append(float(self._seconds[first:free].sum() / self._total_s))
        return shares

    @property
    def final_drive(self) -> tuple[float, float] | None:
        """(final drive of the file, the one that would fit); None as `off`."""
        off = self.off
        return None if off is None or self._final is None else (self._final, off * self._final)
