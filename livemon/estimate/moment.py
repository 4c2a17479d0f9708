"""One moment as the gear chain sees it: what is read, what the foot does, and what follows for all gears."""

from __future__ import annotations

from bisect import bisect_right
from math import log, sqrt
from typing import Final, NamedTuple

_IDLE_REACH: Final = 1.25  # engine no faster than so many times idle: the governor may hold it there
_LIFT_S: Final = 1.0  # after the foot is off the engine falls whatever the gear
# With the foot off near idle: steps of the rate of ln engine speed [1/s], and how much likelier each is in a
# shift down or up than in the same gear
_RATES: Final = (-0.25, -0.075, -0.015, 0.015, 0.035, 0.075, 0.15)
_CLIMBS: Final = (0.25, 0.25, 0.4, 0.5, 1.3, 3.0, 8.0, 14.0)
_DIPS: Final = (3.0, 1.2, 0.7, 0.4, 0.4, 0.3, 0.2, 0.1)
_DRAG_NM: Final = (-20.0, 12.0)  # of an engine turned by the wheels, sd
_ROLLING_KMH: Final = 10.0
_JUMP: Final = 0.1  # of base in one moment
_CALM, _CALM_TORQUE, _LEAST_NM = 0.03, 0.2, 30.0


class Look(NamedTuple):
    """One moment: engine speed [rpm], road speed [km/h] with sd from the readings and from the
    calibration."""

    t: float
    n: float
    v: float
    v_sd: float
    v_slow_sd: float
    torque_nm: float  # at the pump
    torque_sd_nm: float
    torque_told: bool  # by the engine; else worked out from the road
    foot_off: bool | None  # None: nothing tells
    idle_rpm: float
    stated: int | None  # gear from 0
    stated_weight: float  # of a gear that is not the stated one
    stated_lock: float | None
    slip: float  # of the closed clutch, as it has been [rpm]
    slip_var: float


class Moment:
    """`take` a Look; then, until the next one:

    base: ln(engine speed / road speed). change, v_change, torque_change: of base, ln road speed and torque
    since the moment before. fast, slow_var: variance of base from readings, and of what changes slowly.
    loose: engine speed says next to nothing of the turbine. overrun: the road may turn the engine; driven: it
    certainly does. idling: the governor may be holding engine speed.
    """

    __slots__ = (
        "_before", "base", "change", "driven", "dt", "fast", "foot_off", "idling", "lifted_s", "look",
        "loose", "off_until_s", "overrun", "slow_var", "torque", "torque_change", "torque_sd", "v_change",
    )  # fmt: skip

    look: Look

    def __init__(self) -> None:
        self._before: tuple[float, float, float] | None = None
        self.lifted_s = self.off_until_s = -1e9
        self.driven = self.loose = self.foot_off = False
        self.dt = self.base = 0.0

    def forget(self) -> None:
        """What went before is not comparable: a stop, a gap."""
        self._before = None

    def take(self, look: Look, dt: float) -> None:
        """Work out what all gears share."""
        self.look, self.dt = look, dt
        n, v, torque, torque_sd = look.n, look.v, look.torque_nm, look.torque_sd_nm
        off = look.foot_off
        if off is None:
            if look.torque_told:
                off = torque < (torque_sd if n < 1.4 * look.idle_rpm else -0.7 * torque_sd)
            else:
                off = n < 1.15 * look.idle_rpm and torque < torque_sd
        if not off:
            self.lifted_s = look.t
        elif self.foot_off:
            self.off_until_s = look.t
        self.foot_off = off
        self.loose = off and (n < _IDLE_REACH * look.idle_rpm or look.t - self.lifted_s < _LIFT_S)
        if off and not self.loose:  # the engine only drags
            share = _DRAG_NM[1] ** 2 / (_DRAG_NM[1] ** 2 + torque_sd * torque_sd)
            torque = share * torque + (1.0 - share) * _DRAG_NM[0]
            torque_sd *= sqrt(share)
        self.torque, self.torque_sd = torque, torque_sd
        ln_v = log(v)
        self.base = log(n) - ln_v
        self.change = self.v_change = 0.0
        self.torque_change = 1e3
        if self._before:
            base, ln_v_before, torque_before = self._before
            self.change, self.v_change = self.base - base, ln_v - ln_v_before
            self.torque_change = torque - torque_before
        self._before = (self.base, ln_v, torque)
        self.fast = (look.v_sd / v) ** 2 + (3.0 / n) ** 2 + 1e-6
        self.slow_var = (look.v_slow_sd / v) ** 2 + 4e-6
        self.idling = n < 1.2 * look.idle_rpm
        self.overrun = torque < (0.0 if look.torque_told else -0.5 * torque_sd) or (off and v > _ROLLING_KMH)
        self.driven = torque < -torque_sd

    @property
    def idle_evidence(self) -> tuple[float, float]:
        """With the foot off and the engine near idle: how much likelier its change of speed is in a shift
        down, and in a shift up, than in the same gear.

        A shift down pulls the engine up by 3 to 20 per cent, and it sinks back after (common practice, no
        source).
        """
        if self.look.t - self.lifted_s < _LIFT_S or self.change == 0.0:
            return 1.0, 1.0
        rate = (self.change + self.v_change) / self.dt  # of ln engine speed
        return _CLIMBS[bisect_right(_RATES, rate)], _DIPS[bisect_right(_RATES, rate)]

    @property
    def jumps(self) -> bool:
        """Engine speed has risen as in a shift down."""
        return self.change > _JUMP

    @property
    def calm(self) -> bool:
        """Neither speeds nor torque have moved enough for a shift to have begun, and no gear was stated."""
        return (
            abs(self.change) < _CALM
            and abs(self.torque_change) < _CALM_TORQUE * max(abs(self.torque), _LEAST_NM)
            and self.look.stated is None
        )
