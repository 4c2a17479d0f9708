"""Engine speed and its rate from readings at uneven times."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from typing import Final

from livemon.estimate.motion import Track

_Q: Final = 300.0**2  # rpm^2/s^3: the rate wanders 300 rpm/s in a second
_NOISE: Final = 4.0  # rpm^2: firing pulses and the time of the reading
_JITTER_S: Final = 0.004  # the middle of ask and answer is not quite when it was measured
_GAP_S: Final = 2.0


_HALF_S: Final = 0.3  # half the stretch a straight line is laid through


class EngineSpeed:
    """`add` readings in time order; `track` holds speed [rpm] and rate [rpm/s]."""

    __slots__ = ("raw", "track")

    def __init__(self) -> None:
        self.track = Track()
        self.raw: list[float] = []

    def add(self, t: float, n: float) -> None:
        track = self.track
        self.raw.append(n)
        if not track.t or t - track.t[-1] > _GAP_S:
            track.push(t, n, 0.0, _NOISE, 0.0, 500.0**2, -1.0)
            return
        q = _Q
        x, r, p, c, w = track.predict(t, q)
        noise = _NOISE + (_JITTER_S * r) ** 2
        s = p + noise
        e = n - x
        if e * e > 9.0 * s:  # something began: let the rate go where the reading says
            q += min(0.75 * e * e / (t - track.t[-1]) ** 3, 1e9)
            x, r, p, c, w = track.predict(t, q)
            s = p + noise
        g, h = p / s, c / s
        track.push(t, x + g * e, r + h * e, p - g * p, c - g * c, w - h * c, q)

    @property
    def newest_s(self) -> float | None:
        """Time of the newest reading."""
        times = self.track.t
        return times[-1] if times else None

    def around(self, t: float) -> tuple[float, float, float] | None:
        """(speed, rate, variance of speed) at t from a straight line through the readings about it.

        Swings of the shaft average out and show in the variance.
        """
        times, raw = self.track.t, self.raw
        i, j = bisect_left(times, t - _HALF_S), bisect_right(times, t + _HALF_S)
        count = j - i
        if count < 5:
            state = self.track.at(t)
            return None if state is None else (state[0], state[1], state[2] + 4.0)
        st = sn = stt = stn = snn = 0.0
        for h in range(i, j):
            d, n = times[h] - t, raw[h]
            st += d
            sn += n
            stt += d * d
            stn += d * n
            snn += n * n
        det = count * stt - st * st
        slope = (count * stn - st * sn) / det
        mean = (sn - slope * st) / count
        left = max(0.0, snn - mean * sn - slope * stn) / (count - 2)
        return mean, slope, left * (stt / det) * 1.5 + 1.0
