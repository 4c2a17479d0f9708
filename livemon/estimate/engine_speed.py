"""Engine speed and its rate from readings at uneven times."""

from __future__ import annotations

from typing import Final

from livemon.estimate.motion import Track

_Q: Final = 300.0**2  # rpm^2/s^3: the rate wanders 300 rpm/s in a second
_NOISE: Final = 4.0  # rpm^2: firing pulses and the time of the reading
_JITTER_S: Final = 0.004  # the middle of ask and answer is not quite when it was measured
_GAP_S: Final = 2.0


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
