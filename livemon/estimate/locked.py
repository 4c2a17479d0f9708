"""What the locked stretches teach: tyre x final drive, delay and rounding of the road speed, and the slip.

While the converter clutch is closed, engine speed n is turbine speed but for a small slip s, so each reading
z of road speed taken at t says, for every vehicle,
    z <= n(t - d) (1 - e) / k - s / k + o < z + width
with k the nominal rpm per km/h of the gear, e the correction of it, d the delay, o = 0 if the reading is
truncated and width/2 if it is rounded. A Kalman filter over (e, d, s, m), s wandering about its mean m, takes
these intervals in, once for each o and each of three kinds of clutch; their weights come from the readings as
well. d takes slip that swings with acceleration for delay as well: what it tells of delay alone is `delay`.
"""

from __future__ import annotations

from math import erf, exp, hypot, sqrt
from typing import Final

from livemon.estimate.interval import truncated

# Reported road speed comes 50 to 150 ms late by most control units, up to 400 where it is filtered (common
# practice, no source; one real car 100, tests/estimate/test_locked.py); a shaft's is as old as its frame.
DELAY_S: Final = (0.1, 0.1)
SHAFT_DELAY_S: Final = (0.0, 0.015)
_LONGEST_DELAY_S: Final = 0.6
# Slip that goes with torque goes with acceleration, and looks like so many seconds of delay: that of tyres
# behind a tight clutch, that of the clutch. What locked stretches of three simulators found was 0.06 off.
_LEAD_S: Final = (0.02, 0.06)
_SLIP_TIME_S: Final = 4.0
_NOISE_KMH2: Final = 0.15**2  # wheel-speed noise, tyre slip, ripple of the shaft
_CUTS: Final = 0.1
_REFUSED: Final = 1e-3  # a reading so unlikely is not taken in
_ENOUGH: Final = 6  # but so many in a row are
_LEAST_WEIGHT: Final = 0.02
_LEAST_SCALE_VAR: Final = 0.002**2  # tyres grow with speed and give way with torque
_AGAIN_S: Final = 0.35
# How far slip wanders about its mean: clutch closed tight, slipping at one target, slipping now and then.
_TIGHT_RPM, _STEADY_RPM, _VARIED_RPM = 2.5, 5.0, 18.0
_BEHIND_RPM: Final = 5.0  # unless by so little
_LEAST_FORWARD: Final = 1e-9  # overrun, or a file a little off, may show it with every kind of clutch
_TEMPER: Final = 0.4  # readings near each other share their errors


class _Hypothesis:
    """(e, d, s, m) and covariance for one rounding."""

    __slots__ = ("_gain", "_prior", "cov", "dropped", "offset", "refused", "wander_var", "weight", "x")

    def __init__(
        self,
        offset: float,
        scale_sd: float,
        delay_s: tuple[float, float],
        slip: float,
        slip_sd: float,
        wander: float,
        lead_sd_s: float,
        weight: float,
    ) -> None:
        self.offset, self.wander_var, self.weight = offset, wander * wander, weight
        both_sd_s = hypot(delay_s[1], lead_sd_s)
        self._gain = (delay_s[1] / both_sd_s) ** 2
        self._prior = (scale_sd, (delay_s[0], both_sd_s), slip, slip_sd)
        self.dropped = 0
        self._begin()

    def _begin(self) -> None:
        """As nothing was seen yet."""
        scale_sd, delay_s, slip, slip_sd = self._prior
        self.x = [0.0, delay_s[0], slip, slip]
        v = slip_sd * slip_sd
        self.cov = [
            [scale_sd * scale_sd, 0.0, 0.0, 0.0],
            [0.0, delay_s[1] ** 2, 0.0, 0.0],
            [0.0, 0.0, v + self.wander_var, v],
            [0.0, 0.0, v, v],
        ]
        self.refused = 0

    @property
    def delay(self) -> tuple[float, float, float]:
        """Delay alone: mean, variance, covariance with e."""
        (mean, sd), gain = self._prior[1], self._gain
        var = gain * (1.0 - gain) * sd * sd + gain * gain * self.cov[1][1]
        return mean + gain * (self.x[1] - mean), var, gain * self.cov[0][1]

    def advance(self, dt: float) -> None:
        f = exp(-dt / _SLIP_TIME_S)
        x, p = self.x, self.cov
        b = 1.0 - f
        x[2] = f * x[2] + b * x[3]
        p02 = f * p[0][2] + b * p[0][3]
        p12 = f * p[1][2] + b * p[1][3]
        p23 = f * p[2][3] + b * p[3][3]
        p[2][2] = f * f * p[2][2] + 2.0 * f * b * p[2][3] + b * b * p[3][3] + self.wander_var * (1.0 - f * f)
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
            if self.refused >= _ENOUGH:  # the calibration no longer fits
                self.dropped += 1
                self._begin()
            return mass
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

    @property
    def forward(self) -> float:
        """Probability that the mean slip is not below zero: pulling, no clutch lets the turbine run ahead."""
        sds = (self.x[3] + _BEHIND_RPM) / sqrt(max(self.cov[3][3], 1e-9))
        return max(0.5 * (1.0 + erf(sds / sqrt(2.0))), _LEAST_FORWARD)


class Locked:
    """`look` at each road-speed reading of a locked stretch; the rest are the results.

    scale, scale_sd: factor on the nominal rpm per km/h. delay_s, delay_sd_s. offset_kmh, offset_var: what is
    taken off a reading's lower edge to get road speed. All are means and sd over both roundings and three
    kinds of clutch (closed tight, slipping at a target, slipping now and then).
    """

    __slots__ = (
        "_h", "_road", "_slip", "_t", "_z", "delay_s", "delay_sd_s", "looks", "offset_kmh", "offset_var",
        "scale", "scale_sd",
    )  # fmt: skip

    def __init__(
        self,
        scale_sd: float,
        slip: float,
        slip_sd: float,
        width: float = 1.0,
        delay_s: tuple[float, float] = DELAY_S,
    ) -> None:
        """scale_sd: of the nominal rpm per km/h; slip, slip_sd: where the clutch is not closed tight [rpm];
        delay_s: of the speed readings, and its sd, before anything is learned."""
        tight, slips = _LEAD_S
        kinds = (
            (0.0, 1.5, _TIGHT_RPM, tight),
            (slip, slip_sd, _STEADY_RPM, slips),
            (slip, slip_sd, _VARIED_RPM, slips),
        )
        offsets = 0.0, 0.5 * width
        weight = 1.0 / (len(kinds) * len(offsets))
        self._h = [
            _Hypothesis(offset, scale_sd, delay_s, *kind, weight) for offset in offsets for kind in kinds
        ]
        self._t = -1e9
        self._z = -1.0
        self.looks = 0
        self._sum_up()

    def wants(self, t: float, z: float) -> bool:
        """Whether this reading is worth a look: the same value again tells little so soon."""
        return z != self._z or not 0.0 < t - self._t < _AGAIN_S

    def look(self, t: float, z: float, width: float, k: float, state: tuple[float, float, float]) -> None:
        """state: (n, its rate, its variance) at t - delay_s; k: rpm per km/h."""
        dt = t - self._t
        n, rate, var = state
        noise = _NOISE_KMH2 + var / (k * k)
        delay = self.delay_s
        changed = z != self._z and 0.0 < dt < 1.0
        self._t, self._z = t, z
        total = 0.0
        for h in self._h:
            h.advance(min(max(dt, 0.0), 30.0))
            mass = h.look((n + rate * (delay - h.x[1])) / k, rate / k, noise, k, z, width, changed)
            h.weight *= max(mass, 0.01) ** _TEMPER
            total += h.weight
        for h in self._h:
            h.weight = max(h.weight / total, _LEAST_WEIGHT)
        self.looks += 1
        self._sum_up()

    def _sum_up(self) -> None:
        """Moments over the hypotheses, once a look, so that asking is cheap."""
        weights = [h.weight * h.forward for h in self._h]
        total = sum(weights)
        road, slip = [0.0] * 7, [0.0] * 7
        offset = offset2 = scale = scale2 = delay = delay2 = 0.0
        for h, weight in zip(self._h, weights, strict=True):
            w, o, (e, _, s, m), p = weight / total, h.offset, h.x, h.cov
            d, d_var, de = h.delay
            offset += w * o
            offset2 += w * o * o
            scale += w * e
            scale2 += w * (e * e + p[0][0])
            delay += w * d
            delay2 += w * (d * d + d_var)
            c = 1.0 + e
            for i, term in enumerate(
                (c, -o * c, c * c + p[0][0], -2.0 * o * c * c, o * o * c * c, d_var, 2.0 * de)
            ):
                road[i] += w * term
            own = h.wander_var
            for i, term in enumerate(
                (s, m, s * s + p[2][2] - own, 2.0 * (s * m + p[2][3]), m * m + p[3][3], own, 0.0)
            ):
                slip[i] += w * term
        self._road, self._slip = tuple(road), tuple(slip)
        self.offset_kmh, self.offset_var = offset, max(offset2 - offset * offset, 0.0)
        self.scale, self.scale_sd = 1.0 + scale, sqrt(max(scale2 - scale * scale, _LEAST_SCALE_VAR))
        self.delay_s, self.delay_sd_s = (
            min(_LONGEST_DELAY_S, max(0.0, delay)),
            sqrt(max(delay2 - delay * delay, 0.0)),
        )

    def silent_s(self, t: float) -> float:
        """Time since the last look."""
        return t - self._t

    def slip(self, t: float) -> tuple[float, float]:
        """Mean and variance of the slow part of slip [rpm] at t."""
        s, m, ss, sm, mm, own, _ = self._slip
        f = exp(-max(0.0, t - self._t) / _SLIP_TIME_S)
        b = 1.0 - f
        mean = f * s + b * m
        return mean, max(f * f * ss + f * b * sm + b * b * mm + own - mean * mean, 1.0)

    def road(self, u: float, rate: float) -> tuple[float, float]:
        """Road speed [km/h, on the nominal scale] and variance for the reading-space speed u."""
        c, oc, c2, oc2, o2, p11, p01 = self._road
        mean = c * u + oc
        return mean, max(u * (c2 * u + oc2) + o2 + rate * (p11 * rate + p01 * u) - mean * mean, 0.0)

    @property
    def dropped(self) -> int:
        """Times the calibration no longer fitted."""
        return min(h.dropped for h in self._h)
