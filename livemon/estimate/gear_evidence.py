"""How well each state of gear and clutch explains one moment, given the moment before.

x = ln(engine speed / (rpm per km/h x road speed)) is minus the log of the speed ratio if that gear is
engaged. Open and closed states each carry a level, how far x lies off what is expected: a bias of torque,
tyre or grip is found once and then no longer counts as evidence, while a sudden change of x does at once (a
switching Kalman filter, interacting-multiple-model form: Blom & Bar-Shalom, IEEE Trans. Autom. Control 33
(1988) 780).
"""

from __future__ import annotations

from math import exp, log, sqrt
from typing import Final, NamedTuple

from livemon.estimate.open_slip import OpenSlip

_ROOT_2PI: Final = 2.5066282746
_SHIFT_S: Final = 0.45
_CLOSE_S: Final = 0.4
_CALM: Final = 0.03
_LOCK_REACH: Final = 2.5  # standard deviations
_ROLLING_KMH: Final = 10.0
_LOOSE: Final = 0.65  # share of the evidence left in overrun: the engine follows only loosely there
_LEVEL_S, _WIDTH_S = 2.5, 10.0
# Rates per second in ordinary driving; common practice, no source.
_LOCK: Final = (0.0002, 0.05, 0.12)  # first gear, second, the rest
_UNLOCK, _SHIFT = 0.12, 0.12
# With the engine at idle a box shifts down as the turbine falls below so many times idle; rate per second
_SLOW, _KEEP_UP = 1.45, 2.5


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
    idle_rpm: float
    stated: int | None  # gear from 0
    stated_weight: float  # of a gear that is not the stated one
    stated_lock: float | None
    slip: float  # of the closed clutch, as it has been [rpm]
    slip_var: float


class GearEvidence(NamedTuple):
    """Likelihoods of the states of one gear g."""

    open: float
    closing: float
    lock: float
    up: float  # g to g + 1 under way
    down: float  # g + 1 to g under way


class Rates(NamedTuple):
    """Chances of leaving the states of one gear in one step."""

    to_lock: float
    to_open: float
    to_up: float
    to_down: float


class Weigher:
    """`begin` a moment, then for each gear in question `rates` and `weigh`; `learn` from what is certain."""

    __slots__ = (
        "_base", "_before", "_change", "_dt", "_fast", "_foot_off", "_heavy", "_idling", "_level_weight",
        "_ln_k", "_look", "_m_change", "_overrun", "_slow_var", "_v_change", "_width_weight", "driven",
        "fit", "k", "lock_level", "lock_var", "open_level", "open_var", "slip",
    )  # fmt: skip

    def __init__(self, k: list[float], grip_nm: float | None) -> None:
        self.k, self._ln_k = k, [log(x) for x in k]
        self.slip = OpenSlip(grip_nm)
        self.open_level, self.open_var = [0.0] * len(k), [1.0] * len(k)
        self.lock_level, self.lock_var = [0.0] * len(k), [1.0] * len(k)
        self.driven = False  # the road certainly turns the engine
        self.fit = [0.0] * len(k)  # how well open or lock explains the level of x, at best 1
        self._before: tuple[float, float, float] | None = None

    def forget(self) -> None:
        """What went before is not comparable: a stop, a gap."""
        self._before = None
        n = len(self.k)
        self.open_level, self.open_var = [0.0] * n, [1.0] * n
        self.lock_level, self.lock_var = [0.0] * n, [1.0] * n

    def begin(self, look: Look, dt: float) -> None:
        """Work out what all gears share."""
        self._look, self._dt = look, dt
        self._level_weight = min(1.0, dt / (_LEVEL_S if look.torque_told else 3.0 * _LEVEL_S))
        self._width_weight = dt / _WIDTH_S
        n, v, slip = look.n, look.v, self.slip
        base = log(n / v)
        slip.expect(look.torque_nm, look.torque_sd_nm, n)
        m = slip.m
        before = self._before
        self._change = self._v_change = 0.0
        self._m_change = 0.3
        ln_v = log(v)
        if before:
            self._change, self._m_change, self._v_change = base - before[0], m - before[1], ln_v - before[2]
        self._before = (base, m, ln_v)
        self._base = base
        self._fast = (look.v_sd / v) ** 2 + (3.0 / n) ** 2 + 1e-6
        self._slow_var = (look.v_slow_sd / v) ** 2 + 4e-6
        self._heavy = min(0.6, max(0.05, (m - 0.1) / 0.4))
        self._idling = n < 1.2 * look.idle_rpm
        torque_sd = look.torque_sd_nm
        self._overrun = look.torque_nm < (0.0 if look.torque_told else -0.5 * torque_sd)
        self.driven = look.torque_nm < -torque_sd
        self._foot_off = n < 1.4 * look.idle_rpm and look.torque_nm < torque_sd
        if self._foot_off and v > _ROLLING_KMH:
            self._overrun = True
        if self._idling:  # the idle governor feeds the pump whatever it takes
            self._heavy = max(self._heavy, 0.85)

    @property
    def calm(self) -> bool:
        """Neither x nor its expectation has moved enough for a shift to have begun, and no gear was
        stated."""
        return abs(self._change) < _CALM and abs(self._m_change) < 0.1 and self._look.stated is None

    def rates(self, g: int) -> Rates:
        look, k, dt = self._look, self.k, self._dt
        v = look.v
        here = k[g] * v
        to_up = to_down = 0.0
        if g + 1 < len(k):
            above = k[g + 1] * v
            to_up = _SHIFT * dt * (1.0 if above > 800.0 else 0.1 if above > 450.0 else 0.01)
            if self._idling and above < _SLOW * look.idle_rpm:
                to_up *= 0.1
        if g > 0:
            to_down = _SHIFT * dt * (1.0 if k[g - 1] * v < 5000.0 else 0.05)
            # boxes do not let the turbine fall to idle in a high gear, least of all with the foot off
            low = ((_SLOW if self._idling else 1.3) * look.idle_rpm - here) / (0.4 * look.idle_rpm)
            if low > 0.0:
                to_down = min(0.5, to_down + (_KEEP_UP if self._idling else 1.0) * dt * min(1.5, low))
        to_lock, to_open = _LOCK[g if g < 2 else 2] * dt, min(0.3, _UNLOCK * dt)
        if here < 1.5 * look.idle_rpm and (self._idling or self._foot_off):
            return Rates(0.02 * to_lock, min(0.6, 12.0 * to_open), to_up, to_down)
        if here < 1000.0:
            return Rates(0.15 * to_lock, min(0.6, 6.0 * to_open), to_up, to_down)
        return Rates(to_lock, to_open, to_up, to_down)

    def weigh(self, g: int, fresh_open: float, fresh_lock: float, alone: bool = False) -> GearEvidence:
        """fresh_*: share of the state's probability that has just come from other states; alone: no shift
        is in question."""
        look, dt, fast, slow_var, heavy = self._look, self._dt, self._fast, self._slow_var, self._heavy
        idling = self._idling
        n, m = look.n, self.slip.m
        x = self._base - self._ln_k[g]
        # open: m and a level; the further from coupling, the faster x moves by itself
        along = x if m > 0.0 else min(0.3, -x)
        x_sd = sqrt(fast)
        # steadiness alone must not favour the state that promises it more narrowly
        calm = fast + 1e-4
        follow = 1.0 / (1.0 + (x / 0.35) ** 2)  # how far engine speed goes with the turbine's
        if idling:
            follow = min(follow, 0.2)
        drift = (follow - 1.0) * self._v_change
        prior = (
            slow_var
            + self.slip.m_sd**2
            + self.slip.spread**2 * abs(m) * (along if along > x_sd else x_sd)
            + 1e-4
        )
        wander = (0.02 if look.torque_told else 0.04) + 0.3 * max(0.0, x - 0.08)
        level, var = (
            self.open_level[g] + drift,
            self.open_var[g] + wander * wander * dt + (0.5 * self._m_change) ** 2,
        )
        mixed = (1.0 - fresh_open) * level
        var = (1.0 - fresh_open) * (var + (level - mixed) ** 2) + fresh_open * (prior + mixed * mixed)
        var = min(var, 2.0 * prior + wander * wander)
        s = var + fast
        own = prior + fast
        e = x - m - mixed
        drives = 1.0 / (1.0 + exp(-1.7 * min(20.0, max(-20.0, look.torque_nm / look.torque_sd_nm))))
        if x > 0.0:
            wide = 0.4 * exp(-max(0.0, x - 2.5)) * (0.15 + 0.85 * drives) * min(1.0, 100.0 * x * x + 0.1)
        elif idling:  # turned by the wheels, held up by next to nothing
            wide = 0.4 * exp(min(0.0, x + 0.8) / 0.08)
        else:
            wide = 0.4 * exp(x / 0.08) * (1.0 - 0.85 * drives)
        opened = (
            exp(-0.5 * e * e / s if e * e < 60.0 * s else -30.0) / (_ROOT_2PI * sqrt(max(s, calm)))
            + 0.05 * wide
            + 1e-3
        )
        # and level by level, seldom: what fits counts each second or two, how narrow it promised each ten
        peak = (1.0 - heavy) / (_ROOT_2PI * sqrt(own))
        top = peak + 0.4 * heavy
        e0 = x - m
        shape = (
            peak * exp(-0.5 * e0 * e0 / own if e0 * e0 < 60.0 * own else -30.0) + heavy * wide + 1e-3
        ) / top
        if x < -0.6:  # no engine holds back so much
            shape *= exp(-30.0 * (-0.6 - x))
        opened *= shape**self._level_weight * top**self._width_weight
        fit = shape
        gain = var / s
        reach = 3.0 * sqrt(s)
        self.open_level[g] = mixed + gain * min(reach, max(-reach, e))
        self.open_var[g] = var * (1.0 - gain)
        # closed: slip near what it has been
        # what turns the engine from the road cannot leave it faster than the turbine
        expected = (0.0 if self.driven and look.slip > 0.0 else look.slip) / n
        prior = slow_var + look.slip_var / (n * n)
        level, var = self.lock_level[g], self.lock_var[g] + (36.0 / (n * n) + 4e-6) * dt
        mixed = (1.0 - fresh_lock) * level + fresh_lock * expected
        var = (1.0 - fresh_lock) * (var + (level - mixed) ** 2) + fresh_lock * (
            prior + (expected - mixed) ** 2
        )
        var = min(var, 2.0 * prior)
        s = var + fast
        e = x - mixed
        lock = exp(-0.5 * e * e / s if e * e < 60.0 * s else -30.0) / (_ROOT_2PI * sqrt(max(s, calm))) + 1e-3
        if 0.0 < x < 0.6 * m - self.slip.m_sd:  # a clutch that slips too much, yet holds the engine back
            lock += 0.05 / m
        own = prior + fast
        peak = 1.0 / (_ROOT_2PI * sqrt(own))
        e0 = x - expected
        shape = exp(-0.5 * e0 * e0 / own if e0 * e0 < 60.0 * own else -30.0) + 1e-3 / peak
        if 0.0 < x < 0.6 * m - self.slip.m_sd:
            shape += 0.1 / (m * peak)
        lock *= shape**self._level_weight * peak**self._width_weight
        self.fit[g] = shape if shape > fit else fit
        gain = var / s
        reach = 3.0 * sqrt(s)
        # tyre and slip bound where a closed clutch can be, whatever was seen before
        reach_far = _LOCK_REACH * sqrt(prior)
        over = max(reach_far, 0.6 * m) if m > 0.0 else reach_far
        level = mixed + gain * min(reach, max(-reach, e))
        self.lock_level[g] = min(expected + over, max(expected - reach_far, level))
        self.lock_var[g] = var * (1.0 - gain)
        # on the way: judged by how x moves
        d = self._change
        noise = 0.5 * fast + (5.0 / n) ** 2 + 4e-4 * dt + 1e-6
        move = -(x - d - expected) * min(1.0, dt / _CLOSE_S)
        closing = _bell(d - move, noise + 0.4 * move * move)
        reach = max(m, 0.06) * 1.5
        outside = max(0.0, -0.01 - x, x - reach) / (x_sd + 0.01)
        closing *= (
            exp(-0.5 * min(outside * outside, 40.0)) + 1e-3
        ) ** self._level_weight / reach**self._width_weight
        up = down = 0.0
        if not alone and g + 1 < len(self.k):
            step = self._ln_k[g] - self._ln_k[g + 1]
            d -= drift
            move = follow * step * min(1.0, dt / _SHIFT_S)
            outside = max(0.0, -step - 0.03 - x, x - 0.35 - max(m, 0.0)) / 0.05
            inside = exp(-0.5 * min(outside * outside, 20.0))
            var = noise + 0.16 * move * move
            up, down = inside * _bell(d + move, var), inside * _bell(d - move, var)
        if self._overrun:
            opened, closing, lock = opened**_LOOSE, closing**_LOOSE, lock**_LOOSE
            up, down = up**_LOOSE, down**_LOOSE
        if look.stated is not None:
            other = look.stated_weight
            if look.stated != g:
                lock, opened, closing = lock * other, opened * other, closing * other
            if look.stated not in (g, g + 1):
                up, down = up * other, down * other
        if look.stated_lock is not None:
            weight = min(1.0, dt / 0.5)
            lock *= (0.02 + 0.96 * look.stated_lock) ** weight
            opened *= (0.98 - 0.96 * look.stated_lock) ** weight
        return GearEvidence(opened, closing, lock, up, down)

    def learn(self, g: int) -> None:
        """Gear g is certain and the converter open."""
        if self._look.torque_told:
            self.slip.learn(self._base - self._ln_k[g], self._fast + self._slow_var)


def _bell(x: float, var: float) -> float:
    """Normal density, never quite nothing."""
    return exp(-0.5 * x * x / var if x * x < 40.0 * var else -20.0) / (_ROOT_2PI * sqrt(var)) + 1e-4
