"""Which gear, and is the converter clutch closed: a small hidden Markov chain over ratio and events.

States per gear g: open[g], closing[g], lock[g]; between neighbours: up[g] (g to g+1 under way), down[g] (g+1 to g).
Evidence at each tick: x = ln(engine speed / (rpm per km/h x road speed)), which is minus the log of the speed
ratio if g is engaged; r = how much faster engine speed changes than road speed makes it change, in rpm/s;
pump torque, however roughly known; the gear the vehicle states. The converter's own curves are never asked,
that would make slip evidence circular: how far an open converter slips under how much torque is learned as one
number.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from math import exp, log, sqrt
from typing import Final, NamedTuple

_ROOT_2PI: Final = 2.5066282746
# Rates per second in ordinary driving; common practice, no source.
_LOCK: Final = (0.001, 0.05, 0.12)  # first gear, second, the rest
_UNLOCK, _SHIFT, _FINISH, _SKIP = 0.12, 0.12, 2.2, 0.004
_X_MEMORY_S, _R_MEMORY_S = 1.5, 0.4  # samples closer than this repeat each other
_LEVEL_MEMORY_S: Final = 10.0
_FLOOR: Final = 1e-10
_POWER: Final = 1.4
_CHANGE_S: Final = 2.0


class Tick(NamedTuple):
    """What the chain says at one moment. Gears count from 0."""

    t: float
    gear: int
    probability: float
    locked: float  # given the gear
    shifting: float
    other: int  # the next likely gear
    other_share: float
    still: bool
    neutral: float = 0.0  # standing still with nothing holding the turbine
    telling: bool = False  # were the converter open, this torque would make it slip visibly


class Look(NamedTuple):
    """Evidence of one moment: engine speed [rpm], road speed [km/h], their rates, and standard deviations."""

    t: float
    n: float
    v: float
    v_sd: float
    n_rate: float
    n_rate_sd: float
    v_rate: float
    v_rate_sd: float
    torque_nm: float  # at the pump
    torque_sd_nm: float
    stated: int | None  # gear from 0
    stated_weight: float
    stated_lock: float | None
    slip: float  # of the closed clutch, as it has been [rpm]
    slip_var: float


class Gears:
    """`tick` with a Look at each moment. `k`: engine rpm per km/h when locked, first gear first."""

    __slots__ = (
        "_closing",
        "_down",
        "_last",
        "_lock",
        "_open",
        "_past",
        "_steps",
        "_up",
        "grip",
        "grip_sd",
        "k",
        "scale_sd",
    )

    def __init__(self, k: list[float], scale_sd: float, grip_nm: float | None = None) -> None:
        """grip_nm: guess of the torque at 1000 rpm that makes the open converter slip 10 %."""
        self.k, self.scale_sd = k, scale_sd
        self._steps = [log(a / b) for a, b in pairwise(k)] + [0.0]
        self._last: float | None = None
        self._past: deque[tuple[float, float, float, float, float]] = deque()
        # ln of the torque [N m at 1000 rpm] that makes an open converter slip 10 %: K(0) from 120 to 260
        self.grip, self.grip_sd = (log(20.0), 0.6) if grip_nm is None else (log(grip_nm), 0.4)
        self.lost()

    def lost(self) -> None:
        """A gap in the readings: any gear is possible again."""
        n = len(self.k)
        self._open, self._lock = [0.6 / n] * n, [0.4 / n] * n
        self._up, self._down, self._closing = [0.0] * n, [0.0] * n, [0.0] * n
        self._last = None
        self._past.clear()

    def rest(self, t: float, neutral: float, stated: int | None = None) -> Tick:
        """Standing still: the next start is in first gear, as good as always."""
        n = len(self.k)
        self._open = [1e-5] * n
        if n > 1:
            self._open[1] = 0.03
        self._lock, self._closing = [0.0] * n, [0.0] * n
        self._up, self._down = [0.0] * n, [0.0] * n
        first = stated if stated is not None and 0 <= stated < n else 0
        self._open[first] += 0.97
        self._last = t
        self._past.clear()
        return Tick(t, first, 0.97, 0.0, 0.0, min(first + 1, n - 1), 0.03, True, neutral)

    def tick(self, look: Look) -> Tick:
        (
            t,
            n,
            v,
            v_sd,
            n_rate,
            n_rate_sd,
            v_rate,
            v_rate_sd,
            torque,
            torque_sd,
            stated,
            stated_w,
            says_lock,
            slip,
            slip_var,
        ) = look
        k, steps = self.k, self._steps
        count = len(k)
        if self._last is None:
            dt = 0.3
        else:
            dt = t - self._last
            if dt > 1.5:
                self._forget(1.0 - exp((1.5 - dt) / 6.0))
                dt = 1.5
        self._last = t
        o, c, u, d, a = self._open, self._lock, self._up, self._down, self._closing
        end = min(0.9, _FINISH * dt)
        shut = min(0.6, 1.5 * dt)
        skip, unlock = _SKIP * dt, min(0.3, _UNLOCK * dt)
        x_weight, r_weight = min(1.0, dt / _X_MEMORY_S), min(1.0, dt / _R_MEMORY_S)
        x_var = (v_sd / v) ** 2 + self.scale_sd**2
        base = log(max(n, 1.0) / v)
        m, spread, m_sd = self._slip_share(torque, torque_sd, n)
        x_sd = sqrt(x_var)
        own_var = x_var + m_sd * m_sd + 2.5e-5
        size = abs(m)
        heavy = min(0.9, max(0.08, (m - 0.1) / 0.25))
        same_lock, same_open = self._change(t, base, m, m_sd, (v_sd / v) ** 2, n)
        drives = 1.0 / (1.0 + exp(-1.7 * min(30.0, max(-30.0, torque / torque_sd))))
        lock_var = x_var + slip_var / (n * n)
        p_lock = 1.0 / (_ROOT_2PI * sqrt(lock_var))
        # how well a state fits counts often, how narrow its promise was only seldom: level errors last
        slow = dt / _LEVEL_MEMORY_S
        no, nc, nu, nd, na = ([0.0] * count for _ in range(5))
        total = 0.0
        last = count - 1
        for g in range(count):
            near = o[g] + c[g] + a[g]
            if g > 0:
                near += o[g - 1] + c[g - 1] + a[g - 1] + u[g - 1]
            if g < last:
                near += o[g + 1] + c[g + 1] + a[g + 1] + u[g] + d[g]
            if near < 1e-6:
                no[g] = nc[g] = _FLOOR
                total += 2.0 * _FLOOR
                continue
            kg = k[g]
            turbine = kg * v
            x = base - log(kg)
            r = n_rate - kg * v_rate
            r_var = (v_rate_sd * kg) ** 2 + n_rate_sd * n_rate_sd
            r_sd = sqrt(r_var)
            # clutch closed: slip near what it has been; engine follows the road
            y = x - slip / n
            e_lock = p_lock * exp(-0.5 * min(y * y / lock_var, 60.0)) + 1e-3
            if 0.0 < x < 0.6 * m - m_sd:  # a clutch that slips too much, yet holds the engine back
                e_lock += 0.1 / m
            sl = sqrt(r_var + 1600.0)
            z = r / sl
            r_lock = exp(-0.5 * min(z * z, 40.0)) / (_ROOT_2PI * sl) + 1e-7
            # open: slip goes with torque where torque is small, anywhere where it is large
            along = x if m > 0.0 else -x
            open_sd = sqrt(own_var + spread * spread * size * (along if along > x_sd else x_sd))
            y = (x - m) / open_sd
            wide = 0.4 * exp(-max(0.0, x - 2.5)) if x > 0.0 else 0.4 * exp(x / (0.04 + open_sd))
            wide *= (0.15 + 0.85 * drives) * min(1.0, 100.0 * x * x + 0.1) if x > 0.0 else 1.0 - 0.85 * drives
            p_open = (1.0 - heavy) / (_ROOT_2PI * open_sd) + 0.4 * heavy
            e_open = (
                (1.0 - heavy) * exp(-0.5 * min(y * y, 60.0)) / (_ROOT_2PI * open_sd) + heavy * wide + 1e-3
            )
            follow = 1.0 / (1.0 + (x / 0.35) ** 2)  # how far engine speed goes with the turbine's
            ro = n_rate - follow * kg * v_rate
            ar = abs(ro)
            near_sd, far_sd = 30.0 + r_sd, 260.0 + r_sd
            r_open = 0.25 * exp(-ar / near_sd) / near_sd + 0.25 * exp(-ar / far_sd) / far_sd + 1e-7
            lock = _LOCK[g if g < 2 else 2] * dt
            away = unlock
            if turbine < 1000.0:
                lock *= 0.15
                away = min(0.6, unlock * 6.0)
            up = down = 0.0
            if g < last:
                up = _SHIFT * dt * (1.0 if k[g + 1] * v > 800.0 else 0.1 if k[g + 1] * v > 450.0 else 0.01)
            if g > 0:
                down = _SHIFT * dt * (1.0 if k[g - 1] * v < 5000.0 else 0.05)
            po = o[g] * (1.0 - lock - up - down) + c[g] * away
            pc = c[g] * (1.0 - away - 0.5 * (up + down)) + a[g] * shut
            pa = a[g] * (1.0 - 1.3 * shut) + o[g] * lock
            po += 0.3 * a[g] * shut
            if g > 0:
                po += u[g - 1] * end * 0.9 + o[g - 1] * skip
                pc += u[g - 1] * end * 0.1 + c[g - 1] * skip
            if g < last:
                po += d[g] * end * 0.93 + o[g + 1] * skip
                pc += d[g] * end * 0.07 + c[g + 1] * skip
            says = 1.0
            if stated is not None:
                says = 1.0 if g == stated else stated_w
            e = (e_open / p_open) ** x_weight * p_open**slow * r_open**r_weight * says * same_open
            w = (e_lock / p_lock) ** x_weight * p_lock**slow * r_lock**r_weight * says * same_lock
            if says_lock is not None:
                w *= (0.02 + 0.96 * says_lock) ** x_weight
                e *= (0.98 - 0.96 * says_lock) ** x_weight
            no[g] = po * e + _FLOOR
            nc[g] = pc * w + _FLOOR
            # closing: on the way from the open converter's slip to the closed clutch's, engine pulled down
            reach = max(m, 0.06) * 1.5
            outside = max(0.0, -0.01 - x, x - reach) / (x_sd + 0.01)
            z = (r + 300.0) / sqrt(r_var + 300.0**2)
            r_closing = 0.3 * r_open + 0.7 * exp(-0.5 * min(z * z, 40.0)) / (
                _ROOT_2PI * sqrt(r_var + 300.0**2)
            )
            w = (exp(-0.5 * min(outside * outside, 40.0)) + 1e-3) ** x_weight / reach**slow
            na[g] = pa * w * r_closing**r_weight * says + _FLOOR
            total += no[g] + nc[g] + na[g]
            if g < last:
                step = steps[g]
                outside = max(0.0, -step - x, x - 0.3 - max(m, 0.0))
                inside = (1.0 / (step + 0.3 + max(m, 0.0))) * exp(
                    -0.5 * min((outside / 0.05) ** 2, 20.0)
                ) + 1e-3
                pace = follow * step * turbine / 0.45
                su = sqrt(r_var + (0.6 * pace) ** 2 + 150.0**2)
                zu, zd = (ro + pace) / su, (ro - pace) / su
                fu = exp(-0.5 * min(zu * zu, 20.0)) / (_ROOT_2PI * su) + 1e-7
                fd = exp(-0.5 * min(zd * zd, 20.0)) / (_ROOT_2PI * su) + 1e-7
                w = inside**x_weight
                says = 1.0 if stated is None or stated in (g, g + 1) else stated_w
                down = _SHIFT * dt * (1.0 if kg * v < 5000.0 else 0.05)
                nu[g] = (u[g] * (1.0 - end) + (o[g] + a[g] + 0.5 * c[g]) * up) * w * fu**r_weight * says
                nd[g] = (
                    (d[g] * (1.0 - end) + (o[g + 1] + a[g + 1] + 0.5 * c[g + 1]) * down)
                    * w
                    * fd**r_weight
                    * says
                )
                total += nu[g] + nd[g]
        self._open, self._lock, self._up, self._down, self._closing = no, nc, nu, nd, na
        return self._told(t, total, base, torque, torque_sd, n, x_var)

    def _change(
        self, t: float, base: float, m: float, m_sd: float, v_var: float, n: float
    ) -> tuple[float, float]:
        """Likelihoods of how x changed over the last seconds: not at all if closed, with torque if open.

        Level errors (tyre, grip) cancel in a change, so lifting or pressing the pedal tells most.
        """
        past = self._past
        past.append((t, base, m, m_sd, v_var))
        while len(past) > 2 and past[1][0] < t - _CHANGE_S:
            past.popleft()
        t0, base0, m0, m_sd0, v_var0 = past[0]
        if t - t0 < 0.6 * _CHANGE_S or t - t0 > 2.0 * _CHANGE_S:
            return 1.0, 1.0
        dx, dm = base - base0, m - m0
        noise = v_var + v_var0 + 4e-6
        locked_var = noise + 2.0 * (10.0 / n) ** 2
        open_var = noise + (0.4 * dm) ** 2 + 0.3 * (m_sd * m_sd + m_sd0 * m_sd0) + (0.1 * m) ** 2 + 4e-6
        dt = t - past[-2][0]
        weight = min(1.0, dt / _CHANGE_S)
        z, y = dx * dx / locked_var, (dx - dm) ** 2 / open_var
        return (
            (exp(-0.5 * min(z, 40.0)) + 0.01) ** weight,
            (exp(-0.5 * min(y, 40.0)) + 0.01) ** weight,
        )

    def _slip_share(self, torque: float, torque_sd: float, n: float) -> tuple[float, float, float]:
        """x of an open converter under this pump torque near coupling.

        x = 0.1 (load / grip)^1.4: published tables lie between powers 1 and 1.8. Overrun slips
        about twice as much under the same torque, less surely. Returns x, how far it may be off as a share of itself by shape and
        grip, and its sd by torque.
        """
        scale = 1e6 / ((n * n + 1e4) * exp(self.grip))
        load, load_sd = torque * scale, torque_sd * scale
        size = abs(load)
        if load < 0.0:
            return max(-0.3, -0.17 * size**1.2), 0.9, 0.17 * min(load_sd, 0.7)
        size = min(size, 4.0)
        m = 0.1 * size**_POWER
        slope = 0.14 * max(size, 0.15) ** (_POWER - 1.0)
        shape = 0.2 + 0.2 * abs(log(max(size, 0.05)))
        return m, sqrt((_POWER * self.grip_sd) ** 2 + shape * shape), slope * load_sd

    def _told(
        self, t: float, total: float, base: float, torque: float, torque_sd: float, n: float, x_var: float
    ) -> Tick:
        no, nc, nu, nd, na = self._open, self._lock, self._up, self._down, self._closing
        count = len(no)
        best, top, shifting = 0, -1.0, 0.0
        inverse = 1.0 / total
        belongs = [0.0] * (count + 1)
        for g in range(count):
            no[g] *= inverse
            nc[g] *= inverse
            nu[g] *= inverse
            nd[g] *= inverse
            na[g] *= inverse
            between = nu[g] + nd[g]
            shifting += between
            belongs[g] += no[g] + nc[g] + na[g] + nu[g]
            belongs[g + 1] += nd[g]
        for g in range(count):
            if belongs[g] > top:
                best, top = g, belongs[g]
        if shifting > 0.2:
            self._past.clear()
        here = no[best] + nc[best] + na[best]
        locked = nc[best] / here if here > 0.0 else 0.0
        low = belongs[best - 1] if best > 0 else 0.0
        high = belongs[best + 1] if best + 1 < count else 0.0
        between_up, between_down = nu[best], nd[best - 1] if best > 0 else 0.0
        low += between_down
        high += between_up
        other, share = (best - 1, low) if low > high else (min(best + 1, count - 1), high)
        if here > 0.97 and no[best] > 0.95:
            self._learn(base - log(self.k[best]), torque, torque_sd, n, x_var)
        m, spread, m_sd = self._slip_share(torque, torque_sd, n)
        telling = (abs(m) - 2.0 * m_sd) * exp(-2.0 * spread) > 0.008
        return Tick(t, best, top, locked, shifting, other, min(share, 1.0), False, 0.0, telling)

    def _learn(self, x: float, torque: float, torque_sd: float, n: float, x_var: float) -> None:
        """Grip of the open converter: one step of a Kalman filter on its logarithm."""
        m, _, m_sd = self._slip_share(torque, torque_sd, n)
        if not 0.04 < m < 0.25 or torque < 3.0 * torque_sd:
            return
        h = -_POWER * m
        p = self.grip_sd**2
        rest = m_sd * m_sd + (0.25 * m) ** 2
        gain = p * h / (p * h * h + 30.0 * (rest + x_var))
        self.grip = min(5.0, max(1.3, self.grip + gain * min(0.1, max(-0.1, x - m))))
        self.grip_sd = max(0.12, sqrt(p * (1.0 - gain * h)))

    def _forget(self, share: float) -> None:
        n = len(self.k)
        keep = 1.0 - share
        for g in range(n):
            self._open[g] = keep * self._open[g] + share * 0.6 / n
            self._lock[g] = keep * self._lock[g] + share * 0.4 / n
            self._closing[g] *= keep
            self._up[g] *= keep
            self._down[g] *= keep
