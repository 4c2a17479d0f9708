"""What a known-good drive teaches of its vehicle: tyre, K and torque ratio, each with its spread."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp, log, sqrt
from typing import Final

from livemon.estimate.locked import Locked
from livemon.records import Estimate
from livemon.vehicle import Known, Vehicle

BIN: Final = 0.05
_LEAST_PER_BIN: Final = 12  # estimates; neighbouring ones share their errors
_LEAST_LAUNCHES: Final = 3
_LEAST_NM: Final = 25.0
_LEAST_RATIO: Final = 0.95  # a coupling passes its torque on; published tables go down to 0.95 there
_LEAST_LOCKED_S: Final = 20.0
_LEAST_SCALE_SD: Final = 0.006
_REACH: Final = ((0.0, 0.35, "pulling away from rest"), (0.35, 0.7, "pulling away"), (0.7, 0.95, "pulling"))


@dataclass(slots=True)
class _Sum:
    count: int = 0
    weight: float = 0.0
    mean: float = 0.0
    square: float = 0.0

    def add(self, x: float, weight: float = 1.0) -> None:
        """Welford's recursion, weighted (West, Commun. ACM 22 (1979) 532)."""
        self.count += 1
        self.weight += weight
        step = x - self.mean
        self.mean += step * weight / self.weight
        self.square += weight * step * (x - self.mean)

    @property
    def sd(self) -> float:
        return sqrt(self.square / self.weight) if self.weight else 0.0


@dataclass(slots=True)
class Point:
    """One row of the learned curve. Spreads are one standard deviation between samples of this drive."""

    speed_ratio: float
    k: float
    k_sd: float
    torque_ratio: float
    torque_ratio_sd: float


@dataclass(slots=True)
class Lesson:
    """What was learned, or what the drive lacked (`missing` is empty when all of it was there)."""

    vehicle: Vehicle
    points: list[Point]
    tyre_radius_sd_m: float
    missing: list[str] = field(default_factory=list)


class Learner:
    """`feed` every Estimate of a drive known to be healthy, then `lesson`."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._vehicle = vehicle
        self._k: dict[int, _Sum] = {}
        self._tr: dict[int, _Sum] = {}
        self._locked_s = 0.0
        self._last_s: float | None = None
        self._launches = 0
        self._was: str = ""
        self._torque = False

    def feed(self, e: Estimate) -> None:
        step = 0.0 if self._last_s is None else min(1.0, e.time_s - self._last_s)
        self._last_s = e.time_s
        if e.regime == "launch" and self._was != "launch":
            self._launches += 1
        self._was = e.regime
        if e.regime == "locked":
            self._locked_s += step
        pump = e.pump_torque_nm
        if pump is None:
            return
        self._torque = True
        if pump < _LEAST_NM or abs(e.engine_accel_rpm_s) > 1500.0 or e.brake:
            return
        if e.regime not in ("launch", "pull") or e.gear_probability < 0.9:
            return
        sr, k = e.speed_ratio, e.capacity_rpm_per_sqrt_nm
        if sr is None or k is None or e.speed_ratio_sd > 0.04 or not 0.0 <= sr < 0.97:
            return
        at = int(sr / BIN)
        self._k.setdefault(at, _Sum()).add(log(k))
        if e.torque_ratio is not None:
            self._tr.setdefault(at, _Sum()).add(e.torque_ratio, pump)

    def lesson(self, calibration: Locked, found_rpm_per_kmh: list[float]) -> Lesson:
        """Everything learned. calibration and ratios as the Estimator ended with them."""
        vehicle, missing = self._vehicle, []
        if not vehicle.gear_ratios:
            missing.append(
                f"gear ratios in the vehicle file ({len(found_rpm_per_kmh)} were found in the drive, "
                f"{', '.join(f'{x:.1f}' for x in found_rpm_per_kmh) or 'none'} rpm per km/h)"
            )
        radius = vehicle.tyre_radius_m
        tyre_sd = 0.0
        if calibration.scale_sd > _LEAST_SCALE_SD or self._locked_s < _LEAST_LOCKED_S:
            missing.append(
                f"enough driving with the converter clutch applied at changing speeds "
                f"({self._locked_s:.0f} s seen; "
                f"tyre known to {100.0 * calibration.scale_sd:.1f} %, {100.0 * _LEAST_SCALE_SD:.1f} % needed)"
            )
        elif radius is not None:
            value = radius.value / calibration.scale
            tyre_sd = value * calibration.scale_sd
            vehicle = replace(vehicle, tyre=None, tyre_radius_m=Known(value, tyre_sd))
        if not self._torque:
            missing.append("engine torque, air flow or absolute load from the vehicle")
        elif self._launches < _LEAST_LAUNCHES:
            missing.append(f"launches from rest ({self._launches} seen, {_LEAST_LAUNCHES} needed)")
        points = self._points()
        for low, high, what in _REACH:
            if self._torque and not any(low <= p.speed_ratio < high for p in points):
                missing.append(f"{what} at a speed ratio from {low:g} to {high:g}")
        if len(points) >= 3:
            rows = tuple((round(p.speed_ratio, 3), round(p.k, 1), round(p.torque_ratio, 3)) for p in points)
            vehicle = replace(
                vehicle, curve=rows, stall_torque_ratio=None, stall_speed_rpm=None, stall_torque_nm=None
            )
        return Lesson(vehicle, points, tyre_sd, missing)

    def _points(self) -> list[Point]:
        """Mean curve by bins, with torque as this vehicle reports it: a baseline for its sisters."""
        points = []
        for at in sorted(self._k):
            k = self._k[at]
            tr = self._tr.get(at)
            if k.count < _LEAST_PER_BIN or tr is None or tr.count < _LEAST_PER_BIN:
                continue
            sr = (at + 0.5) * BIN
            ratio = max(tr.mean, _LEAST_RATIO if sr > 0.8 else 0.5)
            value = exp(k.mean)
            points.append(Point(sr, value, value * k.sd, ratio, tr.sd))
        if points:  # down to stall: K hardly changes there, the torque ratio goes on in a straight line
            first = points[0]
            slope = (points[1].torque_ratio - first.torque_ratio) / BIN if len(points) > 1 else 0.0
            tr0 = max(1.0, first.torque_ratio - min(0.0, slope) * first.speed_ratio)
            points.insert(0, Point(0.0, first.k, first.k_sd, tr0, first.torque_ratio_sd))
        return points
