"""Which gear, and is the converter clutch closed: a small hidden Markov chain, smoothed over the look-ahead.

States per gear g: open, closing, lock; between neighbours up (g to g+1 under way) and down (g+1 to g).
Forward at each tick, backward over the unsettled ticks: Rabiner, Proc. IEEE 77 (1989) 257. Only gears
within reach of those in question are worked on.
"""

from __future__ import annotations

from math import exp
from typing import Final

from livemon.converter.curves import Curves
from livemon.estimate.box import Box
from livemon.estimate.gear_evidence import Weigher
from livemon.estimate.gear_tick import Five, Tick, at_rest
from livemon.estimate.moment import Look

_FINISH, _SHUT = 2.2, 1.5  # rates per second
_UNSEEN_S: Final = 0.12  # a shift may hide in a step so long
_DONE, _DONE_CLOSED, _GIVEN_UP = 0.8, 0.08, 0.12  # how a shift seen under way ends
_STARTS_IN_SECOND: Final = 0.02
_SKIPS: Final = 0.15  # of shifts down go by a gear at once (common practice, no source)
_REACH: Final = 1e-4
_LONG_S: Final = 1.2  # a step longer than this may hide a shift
_SURE: Final = 0.98
_ALONE: Final = 0.995
_FITS: Final = 4.0  # density of x in a gear that explains what is seen
_FITS_LEVEL: Final = 0.2  # of the best density its level could have
_FLOOR: Final = 1e-10


class Gears:
    """`tick` with a Look at each moment, `rest` while standing; `smooth` the newest ticks before using
    them."""

    __slots__ = ("_fits", "_gear", "_last", "_now", "box", "k", "weigher")

    def __init__(self, k: list[float], k_sd: list[float], curves: Curves) -> None:
        """k: engine rpm per km/h when locked, first gear first; k_sd: of each by itself, relative."""
        self.k = k
        self.weigher = Weigher(k, k_sd, curves)
        self.box = Box(k)
        self.lost()

    def inherit(self, known: Gears) -> None:
        """What was learned with other ratios and still holds: the converter's level, the box's own rule."""
        self.weigher.slip = known.weigher.slip
        self.box.down = known.box.down

    def lost(self) -> None:
        """A gap in the readings: any gear is possible again."""
        n = len(self.k)
        self._now: Five = ([0.6 / n] * n, [0.0] * n, [0.4 / n] * n, [0.0] * n, [0.0] * n)
        self._last: float | None = None
        self._gear, self._fits = 0, False
        self.weigher.forget()
        self.box.forget()

    def rest(self, t: float, neutral: float, stated: int | None) -> Tick:
        """Standing still: the next start is in first gear, as good as always."""
        n = len(self.k)
        first = stated if stated is not None and 0 <= stated < n else 0
        opened = [1e-5] * n
        if n > 1:
            opened[1] = _STARTS_IN_SECOND
        opened[first] = 1.0 - _STARTS_IN_SECOND
        self._gear, self._fits = first, False
        self._now = (opened, [0.0] * n, [0.0] * n, [0.0] * n, [0.0] * n)
        self._last = t
        self.weigher.forget()
        self.box.stands()
        return at_rest(t, neutral, first)

    def tick(self, look: Look) -> Tick:
        """Move the chain to this moment."""
        t = look.t
        dt = 0.3 if self._last is None else t - self._last
        self._last = t
        if dt > _LONG_S:
            self._forget(1.0 - exp((_LONG_S - dt) / 2.5))
            dt = _LONG_S
        weigher, box, last = self.weigher, self.box, len(self.k) - 1
        moment = weigher.moment
        weigher.begin(look, dt)
        o, a, c, u, d = self._now
        g = self._gear
        alone = weigher.moment.calm and self._fits and o[g] + a[g] + c[g] > _ALONE
        if alone:  # nothing moves: no other gear need be looked at
            first, beyond = g, g + 1
        else:
            first, beyond = last, 0
            for g in range(last + 1):
                if o[g] + a[g] + c[g] + u[g] + d[g] > _REACH:
                    first, beyond = min(first, g), g
            first, beyond = max(0, first - (2 if moment.jumps else 1)), min(last, beyond + 1) + 1
        tick = Tick(t)
        tick.told = look.torque_told or look.stated is not None
        tick.first = first
        end, shut, skip = tick.rates = (
            min(0.9, _FINISH * dt), min(0.6, _SHUT * dt), min(1.0, dt / _UNSEEN_S),
        )  # fmt: skip
        tick.driven = moment.driven
        leaving = tick.leaving = [box.rates(moment, g) for g in range(first, beyond)]
        evidence = tick.evidence
        n = last + 1
        no, na, nc, nu, nd = [_FLOOR] * n, [_FLOOR] * n, [_FLOOR] * n, [0.0] * n, [0.0] * n
        total = 0.0
        for i, (lock, away, up, down) in enumerate(leaving):
            g = first + i
            og, ag, cg = o[g], a[g], c[g]
            stay_open = og * (1.0 - lock - up - down)
            # a shift given up leaves the level where it was
            stay_open += end * _GIVEN_UP * ((u[g] if g < last else 0.0) + (d[g - 1] if g > 0 else 0.0))
            po = stay_open
            po += cg * away + 0.3 * shut * ag
            pa = ag * (1.0 - 1.3 * shut) + og * lock
            pc = stay_lock = cg * (1.0 - away - 0.5 * (up + down))
            pc += ag * shut
            if g > 0:
                done = u[g - 1] * end
                hidden = skip * leaving[i - 1].to_up if i else 0.0
                po += done * _DONE + o[g - 1] * hidden
                pc += done * _DONE_CLOSED + c[g - 1] * hidden
            if g < last:
                done = d[g] * end
                hidden = skip * leaving[i + 1].to_down if g + 1 < beyond else 0.0
                po += done * _DONE + o[g + 1] * hidden
                pc += done * _DONE_CLOSED + c[g + 1] * hidden
            if g + 2 < beyond:
                po += _SKIPS * leaving[i + 2].to_down * (o[g + 2] + c[g + 2])
            po, pc = po + _FLOOR, pc + _FLOOR
            e_open, e_closing, e_lock, e_up, e_down = weighed = weigher.weigh(
                g, 1.0 - stay_open / po, 1.0 - stay_lock / pc, alone
            )
            evidence.append(weighed)
            if g < last and not alone:
                from_above = leaving[i + 1].to_down if g + 1 < beyond else 0.0
                nu[g] = pu = (u[g] * (1.0 - end) + (og + ag + 0.5 * cg) * up) * e_up
                nd[g] = pd = (
                    d[g] * (1.0 - end) + (o[g + 1] + a[g + 1] + 0.5 * c[g + 1]) * from_above
                ) * e_down
                total += pu + pd
            no[g] = po = po * e_open
            na[g] = pa = pa * e_closing + _FLOOR
            nc[g] = pc = pc * e_lock
            total += po + pa + pc
        inverse = 1.0 / total
        for row in (no, na, nc, nu, nd):
            for g in range(first, beyond):
                row[g] *= inverse
        self._now = tick.alpha = (no, na, nc, nu, nd)
        tick.sum_up(tick.alpha, self.k)
        tick.open_x = weigher.expected(tick.gear)
        tick.telling = look.torque_told and weigher.visible(tick.gear)
        self._gear, self._fits = tick.gear, total > _FITS and weigher.fit[tick.gear] > _FITS_LEVEL
        if no[tick.gear] > 0.95:
            weigher.learn(tick.gear)
        weigher.follow(tick.gear, tick.probability - tick.shifting > _SURE, tick.locked > 0.5)
        box.watch(moment, tick.gear, tick.probability - tick.shifting > _SURE, tick.locked + tick.closing)
        return tick

    def smooth(self, ticks: list[Tick], start: int) -> None:
        """Bring ticks[start:] up to date with all that came after them."""
        window = ticks[start:]
        if window and all(t.probability > _SURE and t.gear == window[0].gear for t in window):
            locked = [t.locked for t in window]
            if max(locked) - min(locked) < 0.2 or min(locked) > 0.8:
                return
        n = len(self.k)
        after: Tick | None = None
        none: Five = ([1.0] * n, [1.0] * n, [1.0] * n, [1.0] * n, [1.0] * n)
        beta = none
        for i in range(len(ticks) - 1, start - 1, -1):
            tick = ticks[i]
            if tick.alpha is None:
                after = None
                continue
            if after is not None:
                beta = self._back(after, beta)
                o, a, c, u, d = (
                    [x * y for x, y in zip(p, q, strict=True)] for p, q in zip(tick.alpha, beta, strict=True)
                )
                total = sum(map(sum, (o, a, c, u, d)))
                if total > 0.0:
                    inverse = 1.0 / total
                    for row in (o, a, c, u, d):
                        row[:] = [x * inverse for x in row]
                    tick.sum_up((o, a, c, u, d), self.k)
            else:
                beta = none
            after = tick

    def _back(self, after: Tick, beta: Five) -> Five:
        """Backward variable one tick earlier, scaled."""
        n = len(self.k)
        last = n - 1
        first = after.first
        end, shut, skip = after.rates
        zero = [0.0] * (n + 1)
        eo, ea, ec, eu, ed = zero[:], zero[:], zero[:], zero[:], zero[:]
        for i, (e_open, e_closing, e_lock, e_up, e_down) in enumerate(after.evidence):
            g = first + i
            eo[g], ea[g], ec[g] = e_open * beta[0][g], e_closing * beta[1][g], e_lock * beta[2][g]
            eu[g], ed[g] = e_up * beta[3][g], e_down * beta[4][g]
        bo, ba, bc, bu, bd = [0.0] * n, [0.0] * n, [0.0] * n, [0.0] * n, [0.0] * n
        most = 0.0
        for i, (lock, away, up, down) in enumerate(after.leaving):
            g = first + i
            below = ed[g - 1] if g else 0.0
            over = _SKIPS * down * eo[g - 2] if i > 1 else 0.0
            bo[g] = (
                (1.0 - lock - up - down) * eo[g] + lock * ea[g] + up * eu[g] + down * below
                + skip * (up * eo[g + 1] + down * (eo[g - 1] if g else 0.0)) + over
            )  # fmt: skip
            ba[g] = (1.0 - 1.3 * shut) * ea[g] + shut * ec[g] + 0.3 * shut * eo[g] + up * eu[g] + down * below
            bc[g] = (
                (1.0 - away - 0.5 * (up + down)) * ec[g] + away * eo[g] + 0.5 * (up * eu[g] + down * below)
                + skip * (up * ec[g + 1] + down * (ec[g - 1] if g else 0.0)) + over
            )  # fmt: skip
            if g < last:
                bu[g] = (1.0 - end) * eu[g] + end * (
                    _DONE * eo[g + 1] + _DONE_CLOSED * ec[g + 1] + _GIVEN_UP * eo[g]
                )
                bd[g] = (1.0 - end) * ed[g] + end * (
                    _DONE * eo[g] + _DONE_CLOSED * ec[g] + _GIVEN_UP * eo[g + 1]
                )
            most = max(most, bo[g], ba[g], bc[g], bu[g], bd[g])
        if most > 0.0:
            inverse = 1.0 / most
            for row in (bo, ba, bc, bu, bd):
                for g in range(first, first + len(after.evidence)):
                    row[g] *= inverse
        return bo, ba, bc, bu, bd

    def _forget(self, share: float) -> None:
        n = len(self.k)
        keep = 1.0 - share
        o, a, c, u, d = self._now
        self._now = (
            [keep * x + share * 0.6 / n for x in o], [keep * x for x in a], [keep * x + share * 0.4 / n for
            x in c], [keep * x for x in u], [keep * x for x in d],
        )  # fmt: skip
