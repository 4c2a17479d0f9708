"""Road speed under two ways of driving at once: held steady, and pedal or brake at work.

An interacting-multiple-model filter (Blom & Bar-Shalom, IEEE Trans. Autom. Control 33 (1988) 780) on (speed,
acceleration). A whole km/h that has not changed for seconds says little by itself; that it would have
changed had the driver done anything says that he did not. One filter that must be ready for everything
cannot draw that conclusion, and knows steady speed hardly better than rounding.
"""

from __future__ import annotations

from math import exp, sqrt
from typing import Final

from livemon.estimate.interval import truncated

# (km/h)^2/s^3. Steady stretches of the urban driving schedule (UDDS, EPA) hold 0.015 to 0.03 of their own,
# and wheels and wind are not as smooth as a schedule; pedal and brake move acceleration by 1.5 m/s2 a second.
STEADY, LIVELY = 0.05, 30.0
_STIRS, _SETTLES = 0.15, 0.4  # 1/s, from one to the other and back; common practice, no source
NOISE_KMH2: Final = 0.05**2  # wheel-speed noise under the counting
_CUTS: Final = 0.1  # share of the prediction outside the interval that makes it worth taking in
_RUN_SHARE: Final = 1.0 / 14.0  # of width^2: a long run of one reading leaves it anywhere between the edges
_RATE_VAR: Final = 16.0  # (km/h/s)^2 at the start
_FAR: Final = 1e-5  # mass inside the interval below which the prediction is of no use
_MOST: Final = 4000.0  # (km/h)^2/s^3: an emergency stop, a wheel that locks

State = tuple[float, float, float, float, float]  # x, rate, variance of x, covariance, variance of rate


class Pace:
    """`begin`, then `take` each reading's interval. `steady`: probability that the driver does nothing."""

    __slots__ = ("_lively", "_steady", "_t", "steady")

    def __init__(self) -> None:
        self.begin(0.0, 0.0, 0.0, 1.0)

    def begin(self, t: float, x: float, rate: float, var: float) -> State:
        """Nothing is known before: x [km/h] at t and its rate, as a start from rest or a guess."""
        self._t, self.steady = t, 0.3
        self._steady = self._lively = state = x, rate, var, 0.0, _RATE_VAR
        return state

    def confine(self, low: float, high: float) -> State:
        """The newest state lay in [low, high]: said afterwards, when the reading has moved on."""
        self._steady, self._lively = _confined(self._steady, low, high), _confined(self._lively, low, high)
        return self._merged()

    def take(self, t: float, low: float, high: float, changed: bool) -> tuple[State, float, bool] | None:
        """(state, noise density of the step, whether the interval was taken in) at t, when the reading says
        x is in [low, high]; None if neither way of driving leads there."""
        dt = t - self._t
        stirs, settles = 1.0 - exp(-_STIRS * dt), 1.0 - exp(-_SETTLES * dt)
        stayed, stirred = self.steady * (1.0 - stirs), self.steady * stirs
        steady = stayed + (1.0 - self.steady) * settles
        lively = 1.0 - steady
        calm = _ahead(_mixed(self._steady, self._lively, stayed / steady), dt, STEADY)
        busy = _ahead(_mixed(self._steady, self._lively, stirred / lively), dt, LIVELY)
        calm, calm_mass, calm_in = _cut(calm, low, high, changed)
        busy, busy_mass, busy_in = _cut(busy, low, high, changed)
        if max(calm_mass, busy_mass) < _FAR:
            return self._leap(t, dt, low, high)
        top = steady * max(calm_mass, _FAR)
        self._steady, self._lively, self._t = calm, busy, t
        self.steady = top / (top + lively * max(busy_mass, _FAR))
        q = self.steady * STEADY + (1.0 - self.steady) * LIVELY
        return self._merged(), q, calm_in or busy_in

    def _leap(self, t: float, dt: float, low: float, high: float) -> tuple[State, float, bool] | None:
        """As lively as it takes to get into [low, high], within reason."""
        before = self._merged()
        off = max(low - before[0] - before[1] * dt, before[0] + before[1] * dt - high, 0.0)
        q = min(3.0 * (off * off + 0.1) / dt**3, _MOST)
        state = _ahead(before, dt, q)
        s = state[2] + NOISE_KMH2
        mass, y, v = truncated(state[0], sqrt(s), low, high)
        if mass < _FAR:
            return None
        self._steady = self._lively = state = _taken(state, s, y, v)
        self._t, self.steady = t, 0.0
        return state, q, True

    def _merged(self) -> State:
        return _mixed(self._steady, self._lively, self.steady)


def _mixed(one: State, other: State, share: float) -> State:
    """Moments of a mixture: `share` of one, the rest of the other."""
    x, r, p, c, w = one
    y, s, o, d, v = other
    rest = 1.0 - share
    dx, dr, between = y - x, s - r, share * rest
    return (
        x + rest * dx, r + rest * dr, share * p + rest * o + between * dx * dx,
        share * c + rest * d + between * dx * dr, share * w + rest * v + between * dr * dr,
    )  # fmt: skip


def _ahead(state: State, dt: float, q: float) -> State:
    x, r, p, c, w = state
    qd = q * dt
    return (
        x + r * dt, r, p + dt * (2.0 * c + dt * w) + qd * dt * dt / 3.0, c + dt * w + qd * dt * 0.5, w + qd,
    )  # fmt: skip


def _cut(state: State, low: float, high: float, changed: bool) -> tuple[State, float, bool]:
    """(state, mass inside, whether it was taken in) after a reading that says x is in [low, high]."""
    x, r, p, _, w = state
    s = p + NOISE_KMH2
    sd = sqrt(s)
    if not changed and x - low > 1.6 * sd and high - x > 1.6 * sd:
        return state, 1.0, False
    mass, y, v = truncated(x, sd, low, high)
    if mass < _FAR:  # led astray: put where the reading is
        return (y, r, (high - low) ** 2 / 12.0, 0.0, max(w, _RATE_VAR)), mass, True
    if not changed:
        if mass > 1.0 - _CUTS:
            return state, mass, False
        v = max(v, min(s, (high - low) ** 2 * _RUN_SHARE))
    return _taken(state, s, y, v), mass, True


def _confined(state: State, low: float, high: float) -> State:
    s = state[2] + NOISE_KMH2
    mass, y, v = truncated(state[0], sqrt(s), low, high)
    return _taken(state, s, y, v) if _FAR < mass < 0.99 else state


def _taken(state: State, s: float, y: float, v: float) -> State:
    """State after the measured sum, N(x, s) before, has moments (y, v)."""
    x, r, p, c, w = state
    g, h = p / s, c / s
    e, d = y - x, s - v
    return x + g * e, r + h * e, p - g * g * d, c - g * h * d, w - h * h * d
