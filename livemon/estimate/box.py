"""What the gearbox is likely to do next: shifts, its clutch closing; and what it has shown."""

from __future__ import annotations

from math import inf
from typing import Final, NamedTuple

from livemon.estimate.moment import ROLLING_KMH, Moment
from livemon.estimate.schedule import DownshiftSpeed

# Rates per second in ordinary driving; common practice, no source.
_LOCK: Final = (0.0002, 0.05, 0.12)  # first gear, second, the rest
_UNLOCK, _SHIFT = 0.12, 0.12
_HABIT_S: Final = 20.0  # under load in one gear, until what the clutch did there counts as much as the rates
_LOCK_COASTING: Final = 0.1  # of these with the foot off: what is locked may stay so, little is locked then
# With the engine at idle a box shifts down as the turbine falls below so many times idle; rate per second
_SLOW, _KEEP_UP = 1.45, 2.5
_UNDER_LOAD, _NEVER = 0.95, 0.999  # a shift up leaves the turbine at least so far above where it shifts down
_TIP_IN_S: Final = (0.4, 2.0)  # so long after the foot is on again the gear shows
_BEEN_UP_RPM: Final = 800.0  # turbine in a gear the box has been in since it stood


class Rates(NamedTuple):
    """Chances of leaving the states of one gear in one step."""

    to_lock: float
    to_open: float
    to_up: float
    to_down: float


class Box:
    """`rates` of a gear at a moment; `watch` what it did."""

    __slots__ = ("_coasted", "_fastest", "_k", "_on_s", "_open_s", "down")

    def __init__(self, k: list[float]) -> None:
        self._k = k
        self._on_s, self._open_s = [0.0] * len(k), [0.0] * len(k)
        self.down = DownshiftSpeed()
        self._coasted: tuple[int, float] | None = None  # sure gear with the foot off, and speed since
        self._fastest = inf  # km/h since standing still, as far as that is known

    def forget(self) -> None:
        """What went before is not comparable: a stop, a gap."""
        self._coasted = None
        self._fastest = inf

    def stands(self) -> None:
        """Standing still: what comes next is a launch."""
        self._coasted = None
        self._fastest = 0.0

    def rates(self, moment: Moment, g: int) -> Rates:
        look, k, dt = moment.look, self._k, moment.dt
        idle, v = look.idle_rpm, look.v
        here = k[g] * v
        to_up = to_down = 0.0
        to_lock, to_open = _LOCK[g if g < 2 else 2] * dt, min(0.3, _UNLOCK * dt)
        if moment.foot_off:
            if g + 1 < len(k):
                to_up = self.down.up(k[g + 1] * v, dt)
            below, chance = self.down.chance(here, moment.v_change, dt)
            if g > 0:
                to_down = chance + 0.01 * dt
            to_lock *= (1.0 - below) * _LOCK_COASTING
            if moment.loose or below > 0.5:
                return Rates(0.02 * to_lock, min(0.6, 12.0 * to_open), to_up, to_down)
            return Rates(to_lock, to_open, to_up, to_down)
        if g + 1 < len(k):
            low, _ = self.down.chance(_UNDER_LOAD * k[g + 1] * v, 0.0, dt)
            to_up = _SHIFT * dt * (1.0 - _NEVER * low)
        self._fastest = max(self._fastest, v)
        if g > 0 and k[g] * self._fastest > _BEEN_UP_RPM:
            to_down = _SHIFT * dt * (1.0 if k[g - 1] * v < 5000.0 else 0.05)
            # boxes do not let the turbine fall to idle in a high gear
            low = ((_SLOW if moment.idling else 1.3) * idle - here) / (0.4 * idle)
            if low > 0.0:
                to_down = min(0.5, to_down + (_KEEP_UP if moment.idling else 1.0) * dt * min(1.5, low))
        if here < 1.5 * idle and moment.idling:
            return Rates(0.02 * to_lock, min(0.6, 12.0 * to_open), to_up, to_down)
        if here < 1000.0:
            return Rates(0.15 * to_lock, min(0.6, 6.0 * to_open), to_up, to_down)
        share = self._share(g)
        return Rates(2.0 * share * to_lock, 2.0 * (1.0 - share) * to_open, to_up, to_down)

    def _share(self, g: int) -> float:
        """Of the time under load in gear g, with its clutch on."""
        return (self._on_s[g] + 0.5 * _HABIT_S) / (self._on_s[g] + self._open_s[g] + _HABIT_S)

    def watch(self, moment: Moment, g: int, sure: bool, on: float) -> None:
        """What it did with the foot off shows when the foot is on again: gear g is the likeliest, its clutch
        on or coming on with probability `on`."""
        k, v = self._k, moment.look.v
        if sure and not moment.foot_off and moment.torque > moment.torque_sd:
            self._on_s[g] += on * moment.dt
            self._open_s[g] += (1.0 - on) * moment.dt
        if moment.foot_off:
            if v < ROLLING_KMH:
                return
            if sure and self._coasted is not None and g + 1 == self._coasted[0]:
                left = k[g + 1] * v
                self.down.seen(1.06 * left, 0.96 * left, 0.5)
            if sure:
                self._coasted = (g, v)
            if sure and not moment.loose:
                self.down.seen(k[g] * v, None, 0.3 * moment.dt)
            elif self._coasted is not None:
                self._coasted = (self._coasted[0], v)
        elif self._coasted is not None:
            since = moment.look.t - moment.off_until_s
            if sure and _TIP_IN_S[0] < since < _TIP_IN_S[1]:
                before, slowest = self._coasted
                if g <= before:
                    self.down.seen(k[g] * slowest, k[g + 1] * slowest if g < before else None)
                self._coasted = None
            elif since >= _TIP_IN_S[1]:
                self._coasted = None
