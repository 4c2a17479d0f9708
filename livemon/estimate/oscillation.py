"""Swings of engine speed: a sliding least-squares spectrum on samples at uneven times.

Each frequency is fitted together with a cubic: pulling away or changing gear is not taken for a swing.
Sources: Lomb, Astrophys. Space Sci. 39 (1976) 447; Zechmeister & Kuerster, Astron. Astrophys. 496 (2009) 577
(floating mean); false-alarm probability after Baluev, Mon. Not. R. Astron. Soc. 385 (2008) 1279.
While the converter clutch is closed a swing of engine speed is a swing of slip or of the whole driveline: the
road cannot follow within a tenth of a second.
"""

from __future__ import annotations

from bisect import bisect_left
from itertools import pairwise
from math import exp, expm1, lgamma, log1p, pi, sqrt
from typing import TYPE_CHECKING, Final, NamedTuple

from livemon.records import Oscillation

if TYPE_CHECKING:
    from livemon.arrays import Array

WINDOW_S: Final = 1.3
LEAST_CYCLES: Final = 3.0
_LEAST_SAMPLES: Final = 9  # cubic, sine and cosine leave three degrees of freedom
_QUIET_RPM: Final = 2.0  # rms about the line of the neighbours below which no spectrum is worth its time
_ORDERS: Final = (0.5, 1.0)  # swings per turn of a cylinder that does not fire, of an unbalance
_LEAST_RPM_FOR_ORDER: Final = 500.0


class Swing(NamedTuple):
    """The strongest swing of one stretch of samples."""

    frequency_hz: float
    amplitude: float
    false_alarm_probability: float
    highest_visible_hz: float
    order: float | None


class Swings:
    """`add` engine-speed readings; `look` gives the Oscillation of the last WINDOW_S, if it can be judged."""

    __slots__ = ("_n", "_open_looks", "_t")

    def __init__(self) -> None:
        self._open_looks = 0
        self._t: list[float] = []
        self._n: list[float] = []

    def add(self, t: float, n: float) -> None:
        self._t.append(t)
        self._n.append(n)

    def rest(self) -> None:
        """Standing still nobody looks: forget what no look would reach back to."""
        if self._t and (first := bisect_left(self._t, self._t[-1] - WINDOW_S)):
            del self._t[:first], self._n[:first]

    def look(self, locked: bool) -> Oscillation | None:
        times, values = self._t, self._n
        if not times:
            return None
        self.rest()
        end = times[-1]
        count, span = len(times), end - times[0]
        if count < 3 or span < 0.75 * WINDOW_S:
            return None
        highest = highest_visible_hz(times)
        if count < _LEAST_SAMPLES or highest * span < LEAST_CYCLES or _roughness(times, values) < _QUIET_RPM:
            return Oscillation(end, 0.0, 0.0, 1.0, highest, 0.0, locked)
        if not locked:  # an open converter passes no swing of the clutch on: half as often will do
            self._open_looks += 1
            if self._open_looks % 2:
                return None
        swing = strongest(times, values, highest)
        return Oscillation(
            end, swing.frequency_hz, swing.amplitude, swing.false_alarm_probability, highest,
            swing.frequency_hz * span, locked, swing.order,
        )  # fmt: skip


def highest_visible_hz(times: list[float]) -> float:
    """Half the usual sampling rate; faster swings can look like slower ones. times in s, rising, two or
    more."""
    gaps = sorted(b - a for a, b in pairwise(times))
    return 0.5 / max(gaps[len(gaps) // 2], 1e-4)


def _roughness(times: list[float], values: list[float]) -> float:
    """rms of each sample about the straight line between its neighbours: a cheap look for anything fast."""
    total, terms = 0.0, 0
    for i in range(1, len(times) - 1):
        a, b, c = times[i - 1], times[i], times[i + 1]
        d = values[i] - values[i - 1] - (values[i + 1] - values[i - 1]) * (b - a) / max(c - a, 1e-6)
        total += d * d
        terms += 1
    return float((total / max(terms, 1)) ** 0.5)


def strongest(times: list[float], values: list[float], highest_hz: float) -> Swing:
    """The sinusoid that takes most out of `values` beside a cubic, and how likely chance does as well.

    times in s, rising, at least 9; frequencies from 3 cycles in the stretch to highest_hz, three per cycle.
    """
    import numpy as np

    t = np.asarray(times)
    y = np.asarray(values)
    count = len(t)
    span = t[-1] - t[0]
    x = 2.0 * (t - t[0]) / span - 1.0
    basis, _ = np.linalg.qr(np.stack((np.ones(count), x, x * x, x**3), axis=1))
    y = y - basis @ (basis.T @ y)
    rest = float(y @ y)
    lowest = LEAST_CYCLES / span
    if rest < 1e-9 or highest_hz <= lowest:
        return Swing(0.0, 0.0, 1.0, highest_hz, None)
    frequencies = np.arange(lowest, highest_hz + 1e-9, 0.33 / span)
    turns = np.concatenate(([0.0], np.cumsum(0.5 * (_pairs(values)) / 60.0 * np.diff(t))))
    orders = np.asarray(_ORDERS if min(values) > _LEAST_RPM_FOR_ORDER else ())
    angle = np.concatenate((np.outer(frequencies, t - t[0]), np.outer(orders, turns))) * (2.0 * np.pi)
    power, a, b = _fit(angle, y, basis)
    share = power / rest
    best = int(np.argmax(share[: len(frequencies)]))
    z = min(float(share[best]), 1.0 - 1e-12)
    chance = _false_alarm(z, count, (highest_hz - lowest) * float(t.std()))
    order = None
    if len(orders):
        at = int(np.argmax(share[len(frequencies) :]))
        if float(share[len(frequencies) + at]) > z:
            order = float(orders[at])
    return Swing(float(frequencies[best]), float(np.hypot(a[best], b[best])), chance, highest_hz, order)


def _false_alarm(z: float, count: int, width: float) -> float:
    """How likely noise alone has a frequency that takes so large a share `z` of what the cubic leaves.

    width: of the frequencies looked at, times the standard deviation of the samples' times.
    """
    left, fitted = count - 4, count - 6  # of freedom, beside the cubic, and beside the sinusoid too
    gamma = sqrt(2.0 / left) * exp(lgamma(0.5 * left) - lgamma(0.5 * (left - 1)))
    crossings = gamma * sqrt(4.0 * pi) * width * (1.0 - z) ** (0.5 * (fitted - 1)) * sqrt(0.5 * left * z)
    single = (1.0 - z) ** (0.5 * fitted)  # where the band begins
    return -expm1(log1p(-min(single, 1.0 - 1e-12)) - crossings)


def _pairs(values: list[float]) -> Array:
    import numpy as np

    y = np.asarray(values)
    return np.asarray(y[1:] + y[:-1])


def _fit(angle: Array, y: Array, basis: Array) -> tuple[Array, Array, Array]:
    """Sum of squares taken out by cosine and sine of each row of `angle`, and their coefficients."""
    import numpy as np

    c, s = np.cos(angle), np.sin(angle)
    c -= (c @ basis) @ basis.T
    s -= (s @ basis) @ basis.T
    cc, ss, cs = np.einsum("ij,ij->i", c, c), np.einsum("ij,ij->i", s, s), np.einsum("ij,ij->i", c, s)
    yc, ys = c @ y, s @ y
    det = np.maximum(cc * ss - cs * cs, 1e-9)
    a = (yc * ss - ys * cs) / det
    b = (ys * cc - yc * cs) / det
    return a * yc + b * ys, a, b
