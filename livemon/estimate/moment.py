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
_DRAG_SD, _FED_SD = 0.4, 0.8  # of what an engine holds back that the wheels turn
ROLLING_KMH: Final = 10.0  # faster, with the foot off, the wheels turn the engine
_JUMP: Final = 0.1  # of base in one moment
_LEAST_RPM: Final = 50.0
_NO_TORQUE_SD_NM: Final = 3.0  # some slip is left for what ratio and road speed are off by
_CALM, _CALM_TORQUE, _LEAST_NM = 0.03, 0.2, 30.0


class Look(NamedTuple):
    """One moment: engine speed [rpm], road speed [km/h] with sd from the readings and from the
    calibration. Where the turbine's speed is told, n is that, and torque and slip are none."""

    t: float
    n: float
    inertia_nm: float  # of its torque, what speeds the engine up
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

    def by_turbine(self, rpm: float) -> Look:
        """The same where the vehicle tells its turbine's speed: no slip parts that from the wheels, whatever
        the engine does."""
        return self._replace(
            n=max(rpm, _LEAST_RPM), inertia_nm=0.0, torque_nm=0.0, torque_sd_nm=_NO_TORQUE_SD_NM,
            torque_told=True, foot_off=False, slip=0.0,
        )  # fmt: skip


class Moment:
    """`take` a Look; then, until the next one:

    base: ln(engine speed / road speed). change, v_change, torque_change: of base, ln road speed and torque
    since the moment before. fast, slow_var: variance of base from readings, and of what changes slowly.
    loose: engine speed says little of the turbine. overrun: the road may turn the engine; driven: it
    certainly does; pulls: by its own word the engine certainly drives the pump. settled: the foot has been
    off for a while. idling: the governor may be holding engine speed. at_pump: torque of the open converter
    and its sd; with the foot off, by what friction holds back as well.
    """

    __slots__ = (
        "_before", "at_pump", "base", "change", "driven", "dt", "fast", "foot_off", "idling",
        "lifted_s", "look", "loose", "off_until_s", "overrun", "pulls", "settled", "slow_var", "torque",
        "torque_change", "torque_sd", "v_change",
    )  # fmt: skip

    look: Look

    def __init__(self) -> None:
        self._before: tuple[float, float, float] | None = None
        self.lifted_s = self.off_until_s = -1e9
        self.driven = self.pulls = self.loose = self.foot_off = self.settled = False
        self.dt = self.base = 0.0
        self.at_pump = (0.0, 1.0)

    def forget(self) -> None:
        """What went before is not comparable: a stop, a gap."""
        self._before = None

    def take(self, look: Look, dt: float, drag_nm: float) -> None:
        """Work out what all gears share; drag_nm: what the engine holds back when the wheels turn it."""
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
        self.settled = look.t - self.lifted_s >= _LIFT_S
        self.loose = off and (n < _IDLE_REACH * look.idle_rpm or not self.settled)
        self.at_pump = self._held(drag_nm) if off else (torque, torque_sd)
        if self.dragged:
            torque, torque_sd = self.at_pump
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
        self.overrun = torque < (0.0 if look.torque_told else -0.5 * torque_sd) or (off and v > ROLLING_KMH)
        self.driven = torque < -torque_sd
        self.pulls = look.torque_told and not off and torque > 2.0 * torque_sd

    @property
    def dragged(self) -> bool:
        """Whether the foot is off and the wheels alone turn the engine."""
        return self.foot_off and not self.loose

    def _held(self, drag_nm: float) -> tuple[float, float]:
        """Torque at the pump, and its sd, with the foot off: friction, less what the governor feeds."""
        look = self.look
        friction_nm = -drag_nm - look.inertia_nm
        if not look.torque_told:  # what the governor feeds makes the lead smaller, and that is no evidence
            return friction_nm, _DRAG_SD * drag_nm
        sd = (_FED_SD if self.loose else _DRAG_SD) * drag_nm
        share = sd * sd / (sd * sd + look.torque_sd_nm**2)
        return share * look.torque_nm + (1.0 - share) * friction_nm, sqrt(share) * look.torque_sd_nm

    @property
    def idle_evidence(self) -> tuple[float, float]:
        """With the foot off and the engine near idle: how much likelier its change of speed is in a shift
        down, and in a shift up, than in the same gear.

        A shift down pulls the engine up by 3 to 20 per cent, and it sinks back after (common practice, no
        source).
        """
        if not self.settled or self.change == 0.0:
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
