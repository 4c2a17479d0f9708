"""What the locked stretches teach: tyre x final drive, delay and rounding of the road speed, and the slip.

While the converter clutch is closed, engine speed n is turbine speed but for a small slip s, so each reading
z of road speed taken at t says, for every vehicle,
    z <= n(t - d) (1 - e) / k - s / k + o < z + width
with k the nominal rpm per km/h of the gear, e the correction of it, d the delay, o = 0 if the reading is
truncated and width/2 if it is rounded. A Kalman filter over (e, d, s, m), s wandering about its mean m, takes
these intervals in, once for each o; the weights of the two o come from the readings as well.
"""

from __future__ import annotations

from math import exp, sqrt
from typing import Final

from livemon.estimate.interval import truncated

_SLIP_SD: Final = 12.0  # rpm, how far controlled slip wanders about its mean
_SLIP_TIME_S: Final = 4.0
_NOISE_KMH2: Final = 0.1**2  # wheel-speed noise, tyre slip, ripple of the shaft
_CUTS: Final = 0.1
_REFUSED: Final = 1e-3  # a reading so unlikely is not taken in
_ENOUGH: Final = 6  # but so many in a row are


class _Hypothesis:
    """(e, d, s, m) and covariance for one rounding."""

    __slots__ = ("cov", "dropped", "offset", "refused", "weight", "x")

    def __init__(self, offset: float, scale_sd: float, slip: float, slip_sd: float) -> None:
        self.offset = offset
        self.weight = 0.5
        self.x = [0.0, 0.08, slip, slip]
        v = slip_sd * slip_sd
        self.cov = [
            [scale_sd * scale_sd, 0.0, 0.0, 0.0],
            [0.0, 0.05**2, 0.0, 0.0],
            [0.0, 0.0, v + _SLIP_SD**2, v],
            [0.0, 0.0, v, v],
        ]
        self.refused = self.dropped = 0

    def advance(self, dt: float) -> None:
        f = exp(-dt / _SLIP_TIME_S)
        x, p = self.x, self.cov
        b = 1.0 - f
        x[2] = f * x[2] + b * x[3]
        p02 = f * p[0][2] + b * p[0][3]
        p12 = f * p[1][2] + b * p[1][3]
        p23 = f * p[2][3] + b * p[3][3]
        p[2][2] = f * f * p[2][2] + 2.0 * f * b * p[2][3] + b * b * p[3][3] + _SLIP_SD**2 * (1.0 - f * f)
        p[0][2] = p[2][0] = p02
        p[1][2] = p[2][1] = p12
        p[2][3] = p[3][2] = p23

    def look(
        self, speed: float, rate: float, noise: float, k: float, z: float, width: float, changed: bool
    ) -> float:
        """Take in one reading. speed, rate: n(t - d)/k and its rate at the delay held now. Returns mass."""
        x, p = self.x, self.cov
        h0, h1, h2 = -speed, -rate, -1.0 / k
        y = speed + h0 * x[0] + h2 * x[2] + self.offset
        g = [r[0] * h0 + r[1] * h1 + r[2] * h2 for r in p]
        s = h0 * g[0] + h1 * g[1] + h2 * g[2] + noise
        sd = sqrt(s)
        if not changed and y - z > 1.6 * sd and z + width - y > 1.6 * sd:
            return 1.0
        mass, m, v = truncated(y, sd, z, z + width)
        if mass < _REFUSED:
            self.refused += 1
            if self.refused < _ENOUGH:
                return mass
            self._loosen()
        self.refused = 0
        if changed or mass < 1.0 - _CUTS:
            e, drop = (m - y) / s, (s - v) / (s * s)
            for i in range(4):
                x[i] += g[i] * e
                gi = g[i] * drop
                row = p[i]
                for j in range(4):
                    row[j] -= gi * g[j]
        return mass

    def _loosen(self) -> None:
        """The calibration no longer fits: keep it as a guess only."""
        self.dropped += 1
        for i, v in enumerate((0.008**2, 0.04**2, 20.0**2, 15.0**2)):
            self.cov[i][i] += v


class Locked:
    """`look` at each road-speed reading of a locked stretch; the rest are the results."""

    __slots__ = ("_h", "_t", "_z", "looks", "refused")

    def __init__(self, scale_sd: float, slip: float, slip_sd: float, width: float = 1.0) -> None:
        self._h = [
            _Hypothesis(0.0, scale_sd, slip, slip_sd),
            _Hypothesis(0.5 * width, scale_sd, slip, slip_sd),
        ]
        self._t = -1e9
        self._z = -1.0
        self.looks = 0
        self.refused = 0

    @property
    def delay_s(self) -> float:
        a, b = self._h
        return max(0.0, min(0.3, a.weight * a.x[1] + b.weight * b.x[1]))

    def delays(self) -> tuple[float, float]:
        return self._h[0].x[1], self._h[1].x[1]

    def look(
        self, t: float, z: float, width: float, k: float, states: list[tuple[float, float, float]]
    ) -> None:
        """states: (n(t - d), its rate, its variance) for the delay of each hypothesis; k: rpm per km/h."""
        dt = t - self._t
        changed = z != self._z and dt < 1.0
        self._t, self._z = t, z
        total = 0.0
        for h, (n, rate, var) in zip(self._h, states, strict=True):
            h.advance(min(dt, 30.0))
            noise = _NOISE_KMH2 + var / (k * k)
            mass = h.look(n / k, rate / k, noise, k, z, width, changed)
            h.weight *= max(mass, 0.03)
            total += h.weight
        for h in self._h:
            h.weight = max(h.weight / total, 1e-4)
        self.looks += 1

    def slip(self, t: float) -> tuple[float, float]:
        """Mean and variance of the slow part of slip [rpm] at t, both roundings weighed."""
        a, b = self._h
        dt = max(0.0, t - self._t)
        f = exp(-dt / _SLIP_TIME_S)
        mean = var = 0.0
        for h in (a, b):
            m = f * h.x[2] + (1.0 - f) * h.x[3]
            p = h.cov
            v = (
                f * f * p[2][2]
                + 2 * f * (1 - f) * p[2][3]
                + (1 - f) ** 2 * p[3][3]
                + _SLIP_SD**2 * (1 - f * f)
            )
            mean += h.weight * m
            var += h.weight * (v + m * m)
        return mean, max(var - mean * mean, 1.0)

    def road(self, u: float, rate: float) -> tuple[float, float]:
        """True road speed [km/h, on the nominal scale] and variance for the reading-space speed u."""
        a, b = self._h
        mean = var = 0.0
        for h in (a, b):
            m = (u - h.offset) * (1.0 + h.x[0])
            v = u * u * h.cov[0][0] + rate * rate * h.cov[1][1] - 2.0 * u * rate * h.cov[0][1]
            mean += h.weight * m
            var += h.weight * (v + m * m)
        return mean, max(var - mean * mean, 0.0)

    @property
    def offset(self) -> tuple[float, float]:
        a, b = self._h
        m = a.weight * a.offset + b.weight * b.offset
        return m, a.weight * b.weight * (a.offset - b.offset) ** 2

    @property
    def truncated_probability(self) -> float:
        return self._h[0].weight / (self._h[0].weight + self._h[1].weight)

    @property
    def scale(self) -> tuple[float, float]:
        """Correction to the nominal rpm per km/h (1 + e) and its sd."""
        a, b = self._h
        m = a.weight * a.x[0] + b.weight * b.x[0]
        v = sum(h.weight * (h.cov[0][0] + (h.x[0] - m) ** 2) for h in self._h)
        return 1.0 + m, sqrt(v)

    @property
    def delay_sd_s(self) -> float:
        m = self.delay_s
        return sqrt(sum(h.weight * (h.cov[1][1] + (h.x[1] - m) ** 2) for h in self._h))
