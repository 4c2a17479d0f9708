"""Which gear, and is the converter clutch closed: a small hidden Markov chain over ratio and events.

States per gear g: open[g], lock[g]; between neighbours: up[g] (g to g+1 under way), down[g] (g+1 to g).
Evidence at each tick: x = ln(engine speed / (rpm per km/h x road speed)), which is minus the log of the speed
ratio if g is engaged; r = how much faster engine speed changes than road speed makes it change, in rpm/s; the
gear the vehicle states. The converter's curves are never asked: that would make slip evidence circular.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Final

_ROOT_2PI: Final = 2.5066282746
# Rates per second; ordinary driving, common practice (no source).
_LOCK, _UNLOCK, _SHIFT, _FINISH, _SKIP = 0.12, 0.12, 0.15, 2.2, 0.02
_X_MEMORY_S, _R_MEMORY_S = 0.8, 0.25  # samples closer than this repeat each other
_FLOOR: Final = 1e-9


@dataclass(slots=True)
class Tick:
    """What the chain says at one moment. `gear` counts from 0; shares sum to 1 with the rest of the gears."""

    t: float
    gear: int
    probability: float
    locked: float
    shifting: float
    other: int  # the gear a shift goes to or comes from
    other_share: float
    still: bool


class Gears:
    """`tick` at each road-speed reading. `k`: engine rpm per km/h when locked, first gear first."""

    __slots__ = ("_down", "_last", "_lock", "_open", "_up", "k", "scale_sd")

    def __init__(self, k: list[float], scale_sd: float) -> None:
        self.k, self.scale_sd = k, scale_sd
        n = len(k)
        self._open, self._lock = [0.6 / n] * n, [0.4 / n] * n
        self._up, self._down = [0.0] * n, [0.0] * n
        self._last: float | None = None

    def rest(self, t: float, stated: int | None = None) -> Tick:
        """Standing still: the next start is in first gear, as good as always."""
        n = len(self.k)
        spare = 0.04 / n
        self._open = [spare] * n
        self._lock, self._up, self._down = [0.0] * n, [0.0] * n, [0.0] * n
        first = stated if stated is not None and 0 <= stated < n else 0
        self._open[first] += 0.96
        self._last = t
        return Tick(t, first, 0.96, 0.0, 0.0, first, 0.0, True)

    def lost(self) -> None:
        """A gap in the readings: any gear is possible again."""
        n = len(self.k)
        self._open, self._lock = [0.6 / n] * n, [0.4 / n] * n
        self._up, self._down = [0.0] * n, [0.0] * n
        self._last = None

    def tick(
        self, t: float, n: float, v: float, v_sd: float, n_rate: float, v_rate: float, rate_sd: float,
        driving: float, stated: int | None, stated_lock: float | None,
    ) -> Tick:  # fmt: skip
        """One moment: engine speed n [rpm], road speed v [km/h], their rates, gear stated (from 0) or None.

        driving: probability that the engine drives the road (torque known), 0.5 when unknown.
        """
        k, count = self.k, len(self.k)
        dt = 0.1 if self._last is None else min(t - self._last, 1.0)
        self._last = t
        o, c, u, d = self._open, self._lock, self._up, self._down
        out, end = _SHIFT * dt, min(0.9, _FINISH * dt)
        lock, unlock, skip = _LOCK * dt, _UNLOCK * dt, _SKIP * dt
        x_weight, r_weight = min(1.0, dt / _X_MEMORY_S), min(1.0, dt / _R_MEMORY_S)
        x_var = (v_sd / v) ** 2 + self.scale_sd**2
        x_wide = 0.05 + sqrt(x_var)
        base = log(max(n, 1.0) / v)
        no, nc, nu, nd = [0.0] * count, [0.0] * count, [0.0] * count, [0.0] * count
        total = 0.0
        last = count - 1
        for g in range(count):
            here = o[g] + c[g]
            near = here
            if g > 0:
                near += o[g - 1] + c[g - 1] + u[g - 1]
            if g < last:
                near += o[g + 1] + c[g + 1] + u[g] + d[g]
            if near < 1e-7:
                no[g] = nc[g] = _FLOOR
                total += 2.0 * _FLOOR
                continue
            kg = k[g]
            x = base - log(kg)
            r = n_rate - kg * v_rate
            r_sd = rate_sd * kg
            # clutch closed: slip of some 15 rpm, never far from it; engine follows the road
            var = x_var + (25.0 / n) ** 2
            y = x - 12.0 / n
            ex = exp(-0.5 * min(y * y / var, 60.0)) / (_ROOT_2PI * sqrt(var))
            sl = sqrt(r_sd * r_sd + 1600.0)
            z = r / sl
            er = exp(-0.5 * min(z * z, 40.0)) / (_ROOT_2PI * sl)
            e_lock = (ex + 1e-4) ** x_weight * (er + 1e-7) ** r_weight
            # open: engine ahead of the turbine when it drives, behind it when it does not
            if x >= 0.0:
                fx = (0.3 + 0.7 * driving) * (0.5 * exp(-x / x_wide) / x_wide + 0.7 * exp(-x / 0.5))
            else:
                fx = (1.0 - 0.8 * driving) * 0.7 * exp(x / x_wide) / x_wide
            so = 160.0 + r_sd
            fr = 0.5 * exp(-abs(r) / so) / so
            e_open = (fx + 1e-4) ** x_weight * (fr + 1e-7) ** r_weight
            po = o[g] * (1.0 - lock - 2.0 * out) + c[g] * unlock
            pc = c[g] * (1.0 - unlock - out) + o[g] * lock
            if g > 0:
                po += u[g - 1] * end * 0.85 + o[g - 1] * skip
                pc += u[g - 1] * end * 0.15 + c[g - 1] * skip
            if g < last:
                po += d[g] * end * 0.9 + o[g + 1] * skip
                pc += d[g] * end * 0.1 + c[g + 1] * skip
            if stated is not None:
                says = 1.0 if g == stated else 0.15
                e_lock *= says**x_weight
                e_open *= says**x_weight
            if stated_lock is not None:
                e_lock *= (0.02 + 0.96 * stated_lock) ** x_weight
                e_open *= (0.98 - 0.96 * stated_lock) ** x_weight
            no[g] = po * e_open + _FLOOR
            nc[g] = pc * e_lock + _FLOOR
            total += no[g] + nc[g]
            if g < last:
                step = log(kg / k[g + 1])
                pu = u[g] * (1.0 - end) + (o[g] + 0.5 * c[g]) * out
                pd = d[g] * (1.0 - end) + (o[g + 1] + 0.5 * c[g + 1]) * out
                inside = 1.0 / (step + 0.5)
                if not -0.25 < x < step + 0.6:
                    inside *= 0.05
                zu, zd = (r + 500.0) / 500.0, (r - 500.0) / 500.0
                fu = exp(-0.5 * min(zu * zu, 12.0)) / (_ROOT_2PI * 500.0)
                fd = exp(-0.5 * min(zd * zd, 12.0)) / (_ROOT_2PI * 500.0)
                w = inside**x_weight
                nu[g] = pu * w * (fu + 1e-7) ** r_weight
                nd[g] = pd * w * (fd + 1e-7) ** r_weight
                total += nu[g] + nd[g]
        best, top, locked, shifting, moving, at = 0, -1.0, 0.0, 0.0, -1.0, 0
        for g in range(count):
            no[g] /= total
            nc[g] /= total
            nu[g] /= total
            nd[g] /= total
            here = no[g] + nc[g]
            locked += nc[g]
            if here > top:
                best, top = g, here
            between = nu[g] + nd[g]
            shifting += between
            if between > moving:
                at, moving = g, between
        self._open, self._lock, self._up, self._down = no, nc, nu, nd
        other, share = best, 0.0
        if shifting > 0.02:
            if shifting > 0.5:
                best = at
            other = at + 1 if best == at else at
            share = shifting
        return Tick(t, best, top if shifting <= 0.5 else shifting, locked, shifting, other, share, False)
