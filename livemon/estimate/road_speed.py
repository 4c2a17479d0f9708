"""Road speed and acceleration from readings of limited resolution at uneven times.

Works in the reading's own terms: a state x with z <= x < z + width whenever the reading is z. What x is in
truth (truncated or rounded, scaled, late) is found out elsewhere, so nothing here depends on that.

A run of equal readings says the same thing again and again. An interval is therefore taken in only when it
cuts away something: at a change of the reading (both sides of it) and when the prediction has spread beyond.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import Final

from livemon.estimate.motion import Track
from livemon.estimate.pace import NOISE_KMH2, Pace

_GAP_S: Final = 2.5
_LONGEST_S: Final = 9.0
_FREE_KMH_S: Final = 3.0
_NEW, _AFTER_ZERO = -1.0, -2.0  # marks of a state not linked to the one before
_SOON_S: Final = 0.04


class RoadSpeed:
    """`add` readings in time order, then ask `at`. `track` holds the states of the moving stretches."""

    __slots__ = ("_high", "_last", "_low", "_open", "_pace", "still_since", "still_until", "track")

    def __init__(self) -> None:
        self.track = Track()
        self.still_since: float | None = None
        self.still_until = -1e18
        self._last = -1.0
        self._low = self._high = 0.0
        self._open = False  # the newest interval has not been taken in
        self._pace = Pace()

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
            track.amend(self._pace.confine(self._low, self._high))
        self._open = True
        taken = self._pace.take(t, low, high, changed)
        if taken is None:
            self._begin(t, 0.5 * (low + high), width, False)
            self._open = False
        else:
            state, q, took = taken
            self._open = not took
            track.push(t, *state, q)
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
        if last and stood and t - self.still_until > _LONGEST_S:
            return None  # silent since: it may have driven off
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
        rate, mark = (4.0, _AFTER_ZERO) if stood else (0.0, _NEW)
        self.track.push(t, *self._pace.begin(t, middle, rate, width * width / 12.0 + NOISE_KMH2), mark)
