"""Road speed and acceleration from readings of limited resolution at uneven times.

Works in the reading's own terms: a state x with z <= x < z + width whenever the reading is z. What x is in
truth (truncated or rounded, scaled, late) is found out elsewhere, so nothing here depends on that.

A run of equal readings says the same thing again and again. An interval is therefore taken in only when it
cuts away something: at a change of the reading (both sides of it) and when the prediction has spread beyond.
"""

from __future__ import annotations

from bisect import bisect_right
from math import sqrt
from typing import Final

from livemon.estimate.interval import truncated
from livemon.estimate.motion import Track

CALM: Final = 0.3  # (km/h)^2/s^3: acceleration wanders 0.15 m/s2 in a second
LIVELY: Final = 40.0  # the same for pedal and brake changes: 1.8 m/s2 in a second
_NOISE_KMH2: Final = 0.05**2  # wheel-speed noise under the counting
_GAP_S: Final = 2.5
_LONGEST_S: Final = 9.0
_FREE_KMH_S: Final = 3.0
_NEW, _AFTER_ZERO = -1.0, -2.0  # marks of a state not linked to the one before
_SOON_S: Final = 0.04
_CUTS: Final = 0.1  # share of the prediction outside the interval that makes it worth taking in


class RoadSpeed:
    """`add` readings in time order, then ask `at`. `track` holds the states of the moving stretches."""

    __slots__ = ("_high", "_last", "_lively", "_low", "_open", "still_since", "still_until", "track")

    def __init__(self) -> None:
        self.track = Track()
        self.still_since: float | None = None
        self.still_until = -1e18
        self._last = -1.0
        self._low = self._high = 0.0
        self._open = False  # the newest interval has not been taken in
        self._lively = 0.5

    def add(self, t: float, z: float, width: float) -> bool:
        """One reading z [km/h] that stands for an interval of `width` > 0. False if its time is not new."""
        track = self.track
        newest = max(track.t[-1] if track.t else -1e18, self.still_until)
        if t <= newest:
            return False
        if z == self._last and t - newest < _SOON_S:
            return True  # nothing new so soon
        if z <= 0.0:
            if self.still_since is None:
                self.still_since = t
            self.still_until = t
            self._last = 0.0
            return True
        fresh = not track.t or self.still_since is not None or t - track.t[-1] > _GAP_S
        low, high = z, z + width
        if fresh:
            start = self.still_since is not None
            self.still_since = None
            self._begin(t, 0.5 * (low + high), width, start)
            self._last, self._low, self._high, self._open = z, low, high, False
            return True
        changed = z != self._last
        if changed and self._open:
            self._take_last()
        q = CALM * (LIVELY / CALM) ** self._lively
        x, r, p, c, w = track.predict(t, q)
        s = p + _NOISE_KMH2
        sd = sqrt(s)
        self._open = True
        if changed or x - low < 1.6 * sd or high - x < 1.6 * sd:
            mass, y, v = truncated(x, sd, low, high)
            if changed:
                self._weigh(t, x, p, q, low, high, mass)
            if mass < 1e-5:
                dt = t - track.t[-1]
                q = min(3.0 * ((y - x) ** 2 + 0.1) / dt**3, 4000.0)
                x, r, p, c, w = track.predict(t, q)
                s = p + _NOISE_KMH2
                mass, y, v = truncated(x, sqrt(s), low, high)
                if mass < 1e-5:
                    self._begin(t, 0.5 * (low + high), width, False)
                    self._last, self._low, self._high, self._open = z, low, high, False
                    return True
            if not changed:  # a long run of one reading leaves it anywhere between the edges
                v = max(v, min(s, width * width / 14.0))
            if changed or mass < 1.0 - _CUTS:
                x, r, p, c, w = _taken(x, r, p, c, w, s, y, v)
                self._open = False
        track.push(t, x, r, p, c, w, q)
        self._last, self._low, self._high = z, low, high
        return True

    def at(self, t: float, zero: float) -> tuple[float, float, float, float, bool] | None:
        """(x, rate, variance of x, variance of rate, reads zero) at t; None where it is not known.

        Among zero readings the vehicle rolls out from the last moving state and starts towards the next;
        `zero` is the state that means standstill.
        """
        track = self.track
        i = bisect_right(track.t, t) - 1
        last = i + 1 == len(track.t)
        stood = self.still_since is not None if last else track.q[i + 1] == _AFTER_ZERO
        if not stood:
            if last or i < 0 or track.q[i + 1] >= 0.0:
                state = track.at(t)
                return None if state is None else (*state, False)
            return self._across(i, t)
        x = r = 0.0
        if i >= 0:
            r = min(track.sr[i], -2.0 * (track.sx[i] - zero))
            x = track.sx[i] - zero + r * (t - track.t[i])
        if not last:
            rate = max(track.sr[i + 1], 1.0)
            start = track.sx[i + 1] - zero - rate * (track.t[i + 1] - t)
            if start > x:
                x, r = start, rate
        if x <= 0.0:
            return zero, 0.0, 0.04, 0.1, True
        x = min(x, 1.0)
        return zero + x, r, 0.04 + 0.1 * x * x, 4.0, True

    def _across(self, i: int, t: float) -> tuple[float, float, float, float, bool] | None:
        """A straight line over a gap of slow polling, as unsure as drivers are free."""
        track = self.track
        h, d = t - track.t[i], track.t[i + 1] - t
        if h + d > _LONGEST_S:
            return None
        slope = (track.sx[i + 1] - track.sx[i]) / (h + d)
        off = _FREE_KMH_S * min(h, d)
        return track.sx[i] + slope * h, slope, 0.1 + off * off, _FREE_KMH_S**2, False

    def _begin(self, t: float, middle: float, width: float, stood: bool) -> None:
        self._lively = 0.5
        rate, mark = (4.0, _AFTER_ZERO) if stood else (0.0, _NEW)
        self.track.push(t, middle, rate, width * width / 12.0 + _NOISE_KMH2, 0.0, 16.0, mark)

    def _take_last(self) -> None:
        k = self.track
        x, r, p, c, w = k.x[-1], k.r[-1], k.p[-1], k.c[-1], k.w[-1]
        s = p + _NOISE_KMH2
        mass, y, v = truncated(x, sqrt(s), self._low, self._high)
        if mass < 0.99:
            k.x[-1], k.r[-1], k.p[-1], k.c[-1], k.w[-1] = _taken(x, r, p, c, w, s, y, v)

    def _weigh(self, t: float, x: float, p: float, q: float, low: float, high: float, mass: float) -> None:
        """Calm or lively driving: which of the two would rather have given this change of the reading."""
        dt = t - self.track.t[-1]
        step = dt**3 / 3.0
        calm = truncated(x, sqrt(max(p - (q - CALM) * step, 1e-4) + _NOISE_KMH2), low, high)[0]
        lively = truncated(x, sqrt(p + (LIVELY - q) * step + _NOISE_KMH2), low, high)[0]
        swap = min(0.5, 0.5 * dt)
        prior = self._lively + swap * (0.5 - self._lively)
        top = prior * lively
        self._lively = top / (top + (1.0 - prior) * calm)


def _taken(
    x: float, r: float, p: float, c: float, w: float, s: float, y: float, v: float
) -> tuple[float, float, float, float, float]:
    """State after the measured sum, N(x, s) before, has moments (y, v)."""
    g, h = p / s, c / s
    e, d = y - x, s - v
    return x + g * e, r + h * e, p - g * g * d, c - g * h * d, w - h * h * d
