"""Road speed at a moment: on the nominal scale, with all that was learned of its gauge; and as read."""

from __future__ import annotations

from math import hypot, sqrt
from typing import Final

from livemon.estimate.locked import SHAFT_DELAY_S, Locked
from livemon.estimate.seen import Seen

_SHAFT_SD_KMH: Final = 0.05
_ROLLS_KMH: Final = 0.7  # while it reads zero, the vehicle may still roll out

State = tuple[float, float, float, float, bool]  # of RoadSpeed.at, in the reading's own terms
OnScale = tuple[float, float, float, float, float, bool]


def state_at(seen: Seen, c: Locked, t: float) -> State | None:
    """What the readings say of t, their delay taken off."""
    return seen.road.at(t + c.delay_s, c.offset_kmh)


def on_scale(c: Locked, state: State) -> OnScale:
    """Road speed on the nominal scale [km/h], rate, its variance from readings and from calibration, the
    rate's variance, and whether it reads zero."""
    u, rate, var, rate_var, zero = state
    if zero:
        return max(u - c.offset_kmh, 0.0), rate, var, 0.0, rate_var, True
    v, v_var = c.road(u, rate)
    return max(v, 0.0), rate, var, v_var, rate_var, False


def stands(road: OnScale) -> bool:
    """Whether the vehicle has come to rest: its speed reads zero, and it has rolled out."""
    return road[5] and road[0] < _ROLLS_KMH


def as_read(seen: Seen, c: Locked, t: float, state: State) -> tuple[float, float]:
    """Road speed [km/h] with nothing learned but delay and rounding, and its sd."""
    if (shaft := seen.shaft_kmh(t)) is not None:
        return shaft[0], hypot(_SHAFT_SD_KMH, SHAFT_DELAY_S[1] * shaft[1])
    u, rate, var, _, _ = state
    return u - c.offset_kmh, sqrt(var + c.offset_var + (rate * c.delay_sd_s) ** 2)
