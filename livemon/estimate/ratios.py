"""Engine rpm per km/h in each gear with the clutch closed: from the vehicle file, or found while driving."""

from __future__ import annotations

from collections import deque
from math import exp, log, pi
from typing import Final

from livemon.vehicle import Vehicle

_RPM_PER_KMH: Final = 30.0 / pi / 3.6  # of a wheel of 1 m radius
_USUAL_RADIUS_M: Final = 0.33
_USUAL_SD: Final = 0.08
_STEADY_S: Final = 0.7
_TIGHT: Final = 0.012  # ln of the ratio, within one stretch and between stretches of one gear
_ENOUGH: Final = 8.0  # looks with the speed changing before a ratio counts as a gear
_MOST: Final = 12


def rpm_per_kmh(vehicle: Vehicle) -> tuple[list[float], float]:
    """([rpm per km/h], relative sd they share); empty where ratios or final drive are not given."""
    if not vehicle.gear_ratios or vehicle.final_drive is None:
        return [], 0.0
    tyre = vehicle.tyre_radius_m
    radius, sd = (tyre.value, tyre.sd / tyre.value) if tyre else (_USUAL_RADIUS_M, _USUAL_SD)
    return [ratio * vehicle.final_drive / radius * _RPM_PER_KMH for ratio in vehicle.gear_ratios], max(
        sd, 0.003
    )


def output_rpm_per_kmh(vehicle: Vehicle) -> float | None:
    """rpm of the transmission's output shaft per km/h; None where final drive or tyre are not given."""
    if vehicle.final_drive is None or vehicle.tyre_radius_m is None:
        return None
    return vehicle.final_drive / vehicle.tyre_radius_m.value * _RPM_PER_KMH


class RatioFinder:
    """Gears nobody told us: engine and road speed that keep their ratio while both change are locked
    together."""

    __slots__ = ("_clusters", "_past")

    def __init__(self) -> None:
        self._past: deque[tuple[float, float, float]] = deque()  # time, ln ratio, ln road speed
        self._clusters: list[list[float]] = []  # [ln ratio, looks]

    def forget(self) -> None:
        """A stop or a gap."""
        self._past.clear()

    def look(self, t: float, n: float, v: float, v_sd: float) -> float | None:
        """One moment; the ratio [rpm per km/h] if it is one of the vehicle's gears with the clutch closed."""
        past, ratio = self._past, log(n / v)
        past.append((t, ratio, log(v)))
        while past[0][0] < t - 2.0 * _STEADY_S:
            past.popleft()
        recent = [r for s, r, _ in past if s > t - _STEADY_S]
        if t - past[0][0] < _STEADY_S or len(recent) < 3:
            return None
        tight = _TIGHT + v_sd / v
        if max(recent) - min(recent) > tight:
            return None
        if max(r for _, r, _ in past) - min(r for _, r, _ in past) < tight:
            speeds = [u for _, _, u in past]
            if max(speeds) - min(speeds) > 0.03:
                self._count(sum(recent) / len(recent))
        for centre, looks in self._clusters:
            if looks >= _ENOUGH and abs(ratio - centre) < tight:
                return exp(centre)
        return None

    def _count(self, ratio: float) -> None:
        for cluster in self._clusters:
            if abs(ratio - cluster[0]) < 1.5 * _TIGHT:
                cluster[1] += 1.0
                cluster[0] += (ratio - cluster[0]) / min(cluster[1], 200.0)
                return
        if len(self._clusters) == _MOST:
            self._clusters.remove(min(self._clusters, key=lambda c: c[1]))
        self._clusters.append([ratio, 1.0])

    @property
    def found(self) -> list[float]:
        """rpm per km/h of the gears found, lowest gear first."""
        return sorted((exp(c) for c, looks in self._clusters if looks >= _ENOUGH), reverse=True)
