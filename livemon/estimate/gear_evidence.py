"""How well each state of gear and clutch explains one moment, given the moment before.

x = ln(engine speed / (rpm per km/h x road speed)) is minus the log of the speed ratio if that gear is
engaged. Open and closed states each carry a level, how far x lies off what is expected: a bias of torque,
tyre or curve is found once and then no longer counts as evidence, while a sudden change of x does at once (a
switching Kalman filter, interacting-multiple-model form: Blom & Bar-Shalom, IEEE Trans. Autom. Control 33
(1988) 780).
"""

from __future__ import annotations

from math import exp, hypot, log, sqrt
from typing import Final, NamedTuple

from livemon.converter.curves import Curves
from livemon.estimate.ahead import Ahead
from livemon.estimate.interval import ROOT_2PI
from livemon.estimate.moment import Look, Moment
from livemon.estimate.open_slip import OpenSlip
from livemon.estimate.slope import SlipSlope

_SHIFT_S: Final = 0.45
_CLOSE_S: Final = 0.4
_HEAVY: Final = 0.1  # chance that torque or curve are quite different from what is thought
_IDLE_HEAVY: Final = 0.85  # the idle governor feeds the pump whatever it takes
_LOCK_REACH: Final = 2.5  # standard deviations
_LOOSE: Final = 0.65  # share of the evidence left in overrun: the engine follows only loosely there
_LOOSE_SD: Final = 0.05
_NOTHING: Final = 1.2  # density of a moment that tells nothing
_X_VAR: Final = 0.003**2  # of x, ripple and tyres
_PULLS: Final = -0.12  # the turbine must run so much faster to pull an idling engine along
_AGAINST: Final = 0.003  # left each second of torque that flows from the slower to the faster
_ODD_X: Final = 0.04  # density of x that no sound converter is denied
_UNPROVEN: Final = 0.6  # share left each time to a shift, which has no level of its own to show
_LEVEL_S, _WIDTH_S = 1.2, 10.0


class GearEvidence(NamedTuple):
    """Likelihoods of the states of one gear g."""

    open: float
    closing: float
    lock: float
    up: float  # g to g + 1 under way
    down: float  # g + 1 to g under way


class Weigher:
    """`begin` a moment, then `weigh` each gear in question; `learn` from what is certain."""

    __slots__ = (
        "_ahead", "_count", "_expected", "_first_fit", "_k_var", "_level_weight", "_ln_k", "_lock_level",
        "_lock_var", "_m", "_m_at", "_m_sd", "_open_level", "_open_var", "_slope", "_slope_locked",
        "_slow_var", "_width_weight", "fit", "k", "moment", "slip",
    )  # fmt: skip

    def __init__(self, k: list[float], k_sd: list[float], curves: Curves) -> None:
        self.k, self._ln_k, self._k_var = k, [log(x) for x in k], [sd * sd for sd in k_sd]
        self.slip = OpenSlip(curves)
        self._ahead, self._first_fit = Ahead(), _ODD_X  # density of first gear's x, its converter sound
        self.moment = Moment()
        self._slope, self._slope_locked = SlipSlope(), False
        n = len(k)
        self._m, self._m_sd = [0.0] * n, [0.0] * n  # x expected while open
        self._m_at = [-1] * n  # moment it was worked out
        self._count = 0
        self._expected = self._slow_var = 0.0  # x of a closed clutch; variance of x that changes slowly
        self.fit = [0.0] * n  # how well open or lock explains the level of x, at best 1
        self.forget()

    def forget(self) -> None:
        """What went before is not comparable: a stop, a gap."""
        self.moment.forget()
        n = len(self.k)
        self._open_level, self._open_var = [0.0] * n, [1.0] * n
        self._lock_level, self._lock_var = [0.0] * n, [1.0] * n

    def begin(self, look: Look, dt: float) -> None:
        self.moment.take(look, dt, self.slip.drag_nm(look.n))
        self._level_weight = min(1.0, dt / (_LEVEL_S if look.torque_told else 3.0 * _LEVEL_S))
        self._width_weight = dt / _WIDTH_S
        self._count += 1
        # what turns the engine from the road cannot leave it faster than the turbine
        self._expected = (0.0 if self.moment.driven and look.slip > 0.0 else look.slip) / look.n

    def weigh(self, g: int, fresh_open: float, fresh_lock: float, alone: bool = False) -> GearEvidence:
        """fresh_*: share of the state's probability that has just come from other states; alone: no shift
        is in question."""
        moment, slip = self.moment, self.slip
        look, dt, fast = moment.look, moment.dt, moment.fast
        self._slow_var = moment.slow_var + self._k_var[g]
        x = moment.base - self._ln_k[g]
        torque, torque_sd = moment.at_pump
        m = slip.x_at(torque, self.k[g] * look.v)
        _, model_sd, model_slope = slip.torque_at(m, look.n)
        m_sd, model_sd = min(0.5, torque_sd / model_slope), model_sd / model_slope
        m_change = m - self._m[g] if self._m_at[g] == self._count - 1 else 0.3
        self._m[g], self._m_at[g], self._m_sd[g] = m, self._count, m_sd + model_sd
        if moment.loose:
            return self._told(g, self._loose(g, x, m, hypot(m_sd, model_sd, _LOOSE_SD)))
        # the further from coupling, the faster x moves by itself
        follow = 1.0 / (1.0 + (x / 0.35) ** 2)  # how far engine speed goes with the turbine's
        if moment.idling:
            follow = min(follow, 0.2)
        drift = (follow - 1.0) * moment.v_change
        wander = (0.02 if look.torque_told else 0.04) + 0.2 * max(0.0, x - 0.08)
        moves = wander * wander * dt + (0.5 * m_change) ** 2
        prior = self._slow_var + m_sd**2 + model_sd**2 + 1e-4
        opened, fit = self._open(g, x, m, fresh_open, drift, prior, moves, wander)
        lock, lock_fit = self._lock(g, x, m, m_sd, fresh_lock)
        self.fit[g] = max(fit, lock_fit)
        # on the way: judged by how x moves
        d = moment.change
        noise = 0.5 * fast + (5.0 / look.n) ** 2 + 4e-4 * dt + 1e-6
        move = -(x - d - self._expected) * min(1.0, dt / _CLOSE_S)
        closing = _bell(d - move, noise + 0.4 * move * move)
        reach = max(m, 0.06) * 1.5
        outside = max(0.0, -0.01 - x, x - reach) / (sqrt(fast) + 0.01)
        closing *= (
            exp(-0.5 * min(outside * outside, 40.0)) + 1e-3
        ) ** self._level_weight / reach**self._width_weight
        up = down = 0.0
        if not alone and g + 1 < len(self.k):
            step = self._ln_k[g] - self._ln_k[g + 1]
            d -= drift
            move = follow * step * min(1.0, dt / _SHIFT_S)
            outside = max(0.0, -step - 0.03 - x, x - 0.35 - max(m, 0.0)) / 0.05
            inside = exp(-0.5 * min(outside * outside, 20.0)) * _UNPROVEN**self._level_weight
            var = noise + moves + 0.16 * move * move
            up, down = inside * _bell(d + move, var), inside * _bell(d - move, var)
        if g == self._slope.gear:
            told = exp(0.5 * dt * self._slope.tell(fast + _X_VAR))
            opened, lock = opened * told, lock / told
        if moment.overrun:
            opened, closing, lock = opened**_LOOSE, closing**_LOOSE, lock**_LOOSE
            up, down = up**_LOOSE, down**_LOOSE
        return self._told(g, GearEvidence(opened, closing, lock, up, down))

    def _loose(self, g: int, x: float, m: float, sd: float) -> GearEvidence:
        """Near idle engine speed says little of the turbine: it may be fed, and falls for a while anyway."""
        moment, look = self.moment, self.moment.look
        nothing = _NOTHING
        off = (x - m) / sd
        if off < 0.0 or (moment.settled and look.torque_told):
            # an engine that nothing feeds is pulled along; what the governor feeds it shows in its torque
            shape = (1.0 - _HEAVY) * exp(-0.5 * min(off * off, 60.0)) + _HEAVY
            nothing *= shape ** min(1.0, moment.dt / _LEVEL_S)
        if x < -1.0:
            nothing *= exp(max(-30.0, 10.0 * (x + 1.0)))
        lock = 0.5 * _NOTHING * exp(-0.5 * min(60.0, x * x / (moment.fast + self._slow_var + 4e-4))) + 1e-3
        self._open_level[g], self._open_var[g] = 0.0, 0.05
        climbs, dips = moment.idle_evidence if x < _PULLS else (1.0, 1.0)
        return GearEvidence(nothing, 1e-3, lock, nothing * dips, nothing * climbs)

    def _open(
        self,
        g: int,
        x: float,
        m: float,
        fresh: float,
        drift: float,
        prior: float,
        moves: float,
        wander: float,
    ) -> tuple[float, float]:
        """(likelihood, fit of x's level) of the open converter: m and a level of variance `prior` at first,
        which moves by `drift`, more or less (`moves`, a variance)."""
        moment, slip = self.moment, self.slip
        fast, idling, torque, torque_sd = moment.fast, moment.idling, moment.torque, moment.torque_sd
        level, var = self._open_level[g] + drift, self._open_var[g] + moves
        mixed = (1.0 - fresh) * level
        var = (1.0 - fresh) * (var + (level - mixed) ** 2) + fresh * (prior + mixed * mixed)
        var = min(var, 2.0 * prior + wander * wander)
        s = var + fast
        e = x - m - mixed
        drives = 1.0 / (1.0 + exp(-1.7 * min(20.0, max(-20.0, torque / torque_sd))))
        if x > 0.0:
            wide = 0.4 * exp(-max(0.0, x - 2.5)) * (0.15 + 0.85 * drives) * min(1.0, 100.0 * x * x + 0.1)
        elif idling:  # turned by the wheels, held up by next to nothing
            wide = 0.4 * exp(min(0.0, x + 0.8) / 0.08)
        else:
            wide = 0.4 * exp(x / 0.08) * (1.0 - 0.85 * drives)
        # steadiness alone must not favour the state that promises it more narrowly
        peak = 1.0 / (ROOT_2PI * sqrt(max(s, fast + 1e-4)))
        opened = exp(-0.5 * e * e / s if e * e < 60.0 * s else -30.0) * peak + 0.05 * wide + 1e-3
        # and level by level, seldom: what fits counts each second or two, how narrow it promised each ten
        taken, taken_sd, slope = slip.torque_at(x, moment.look.n)
        heavy = _IDLE_HEAVY if idling else _HEAVY
        # the torque seen against the torque it would take, as a density of x
        off = torque - taken
        own = torque_sd * torque_sd + taken_sd * taken_sd + slope * slope * (fast + self._slow_var + 1e-4)
        peak = (1.0 - heavy) * slope / (ROOT_2PI * sqrt(own))
        top = peak + 0.4 * heavy
        sound = peak * exp(-0.5 * off * off / own if off * off < 60.0 * own else -30.0) + heavy * wide + 1e-3
        shape = sound / top
        if moment.pulls:
            held = self._ahead.density(x)
            opened += 0.05 * held
            shape += held / top
            if g == 0:
                self._first_fit = sound
        if x > 0.03 if moment.foot_off else x < self._ahead.furthest and torque > 2.0 * torque_sd:
            opened *= _AGAINST**moment.dt  # torque only flows from the faster to the slower
        if x < -0.6:  # no engine holds back so much
            shape *= exp(-30.0 * (-0.6 - x))
        gain, reach = var / s, 3.0 * sqrt(s)
        self._open_level[g] = mixed + gain * min(reach, max(-reach, e))
        self._open_var[g] = var * (1.0 - gain)
        return opened * shape**self._level_weight * top**self._width_weight, shape

    def _lock(self, g: int, x: float, m: float, m_sd: float, fresh: float) -> tuple[float, float]:
        """(likelihood, fit of x's level) of the closed clutch: slip near what it has been."""
        moment, expected = self.moment, self._expected
        look, dt, fast, n = moment.look, moment.dt, moment.fast, moment.look.n
        prior = self._slow_var + look.slip_var / (n * n)
        level, var = self._lock_level[g], self._lock_var[g] + (36.0 / (n * n) + 4e-6) * dt
        mixed = (1.0 - fresh) * level + fresh * expected
        var = (1.0 - fresh) * (var + (level - mixed) ** 2) + fresh * (prior + (expected - mixed) ** 2)
        var = min(var, 2.0 * prior)
        s = var + fast
        e = x - mixed
        peak = 1.0 / (ROOT_2PI * sqrt(max(s, fast + 1e-4)))
        lock = exp(-0.5 * e * e / s if e * e < 60.0 * s else -30.0) * peak + 1e-3
        own = prior + fast
        peak = 1.0 / (ROOT_2PI * sqrt(own))
        e0 = x - expected
        shape = exp(-0.5 * e0 * e0 / own if e0 * e0 < 60.0 * own else -30.0) + 1e-3 / peak
        if 0.0 < x < 0.6 * m - m_sd:  # a clutch that slips too much, yet holds the engine back
            lock += 0.05 / m
            shape += 0.1 / (m * peak)
        gain, reach = var / s, 3.0 * sqrt(s)
        # tyre and slip bound where a closed clutch can be, whatever was seen before
        reach_far = _LOCK_REACH * sqrt(prior)
        over = max(reach_far, 0.6 * m) if m > 0.0 else reach_far
        level = mixed + gain * min(reach, max(-reach, e))
        self._lock_level[g] = min(expected + over, max(expected - reach_far, level))
        self._lock_var[g] = var * (1.0 - gain)
        return lock * shape**self._level_weight * peak**self._width_weight, shape

    def _told(self, g: int, seen: GearEvidence) -> GearEvidence:
        """The same with what the vehicle states of gear and clutch."""
        look = self.moment.look
        if look.stated is None and look.stated_lock is None:
            return seen
        opened, closing, lock, up, down = seen
        if look.stated is not None:
            other = look.stated_weight
            if look.stated != g:
                lock, opened, closing = lock * other, opened * other, closing * other
            if look.stated not in (g, g + 1):
                up, down = up * other, down * other
        if look.stated_lock is not None:
            weight = min(1.0, self.moment.dt / 0.5)
            lock *= (0.02 + 0.96 * look.stated_lock) ** weight
            opened *= (0.98 - 0.96 * look.stated_lock) ** weight
        return GearEvidence(opened, closing, lock, up, down)

    def learn(self, g: int) -> None:
        """Gear g is certain and the converter open."""
        moment = self.moment
        look = moment.look
        x, x_sd = moment.base - self._ln_k[g], sqrt(moment.fast + moment.slow_var + self._k_var[g])
        if moment.dragged:
            self.slip.learn_over(x, x_sd, look.n, moment.torque, moment.dt)
        elif look.torque_told:
            if g == 0 and moment.pulls:
                weight = min(1.0, moment.dt / _LEVEL_S)
                self._ahead.learn(x, x_sd, max(self._first_fit, _ODD_X), weight)
            self.slip.learn(x, x_sd, look.n, look.torque_nm, look.torque_sd_nm)

    def follow(self, g: int, sure: bool, locked: bool) -> None:
        """Gear g is the likeliest, and whether its clutch is closed."""
        slope = self._slope
        if not sure or self.moment.loose or g != slope.gear or locked != self._slope_locked:
            slope.reset()
            slope.gear, self._slope_locked = g, locked
        if sure and not self.moment.loose:
            slope.add(self.moment.base - self._ln_k[g], self._m[g], self.moment.dt)

    def expected(self, g: int) -> float:
        """ln slip of an open converter in gear g."""
        return self._m[g]

    def visible(self, g: int) -> bool:
        """Were the converter open in gear g, it would certainly slip so much that it shows."""
        return abs(self._m[g]) - 1.6 * self._m_sd[g] > 0.008


def _bell(x: float, var: float) -> float:
    """Normal density, never quite nothing."""
    return exp(-0.5 * x * x / var if x * x < 40.0 * var else -20.0) / (ROOT_2PI * sqrt(var)) + 1e-4
