"""The simulated road: slow random grade, wind, and the body's resistance."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt
from random import Random

NODE_M = 40.0


@dataclass(frozen=True, slots=True)
class BodyTruth:
    """The loaded vehicle: mass [kg] as it stands, drag area [m2], rolling share of weight, wheels."""

    mass_kg: float
    drag_area_m2: float
    rolling_resistance: float
    rolling_per_m_s: float  # growth of the rolling share with speed
    tyre_radius_m: float
    wheel_inertia_kg_m2: float  # all wheels
    air_density_kg_m3: float = 1.2


@dataclass(frozen=True, slots=True)
class RoadTruth:
    grade_rms: float = 0.02
    grade_length_m: float = 300.0
    wind_m_s: float = 0.0  # head wind
    gust_m_s: float = 1.0


class Road:
    """Grade along the way and wind in time, made as they are reached."""

    def __init__(self, truth: RoadTruth, rng: Random) -> None:
        self.truth, self._rng = truth, rng
        self._keep = exp(-NODE_M / truth.grade_length_m)
        self._fresh = truth.grade_rms * sqrt(1.0 - self._keep**2)
        self._nodes = [rng.gauss(0.0, 0.3 * truth.grade_rms)]
        self._gust = 0.0
        self.wind_m_s = truth.wind_m_s

    def grade(self, distance_m: float) -> float:
        """Sine of the road's slope there; linear between points 40 m apart."""
        x = max(0.0, distance_m) / NODE_M
        i = int(x)
        nodes = self._nodes
        while len(nodes) < i + 2:
            nodes.append(self._keep * nodes[-1] + self._rng.gauss(0.0, self._fresh))
        return nodes[i] + (x - i) * (nodes[i + 1] - nodes[i])

    def step(self, dt_s: float) -> None:
        """Gusts; called about every 40 ms."""
        self._gust += -self._gust * dt_s / 6.0 + self._rng.gauss(0.0, self.truth.gust_m_s) * sqrt(
            2.0 * dt_s / 6.0
        )
        self.wind_m_s = self.truth.wind_m_s + self._gust
