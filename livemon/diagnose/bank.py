"""The bank: one small Kalman filter per hypothesis, all with the same nuisances, stepped together in numpy.

Marginal likelihood by innovations [bar-shalom-2001, sec. 5.4, 11.6]. A look is believed with a stated
probability and otherwise weighs nothing, and so is a whole stretch, so no single event decides.
"""

from __future__ import annotations

from math import exp, log, pi, sqrt
from typing import Final

import numpy as np

from livemon.arrays import Array
from livemon.converter.curves import Curves
from livemon.converter.engine_torque import gain_sd
from livemon.diagnose.climb import Slope
from livemon.diagnose.hypotheses import FINDINGS, Hypothesis
from livemon.diagnose.idle_look import IdleLooks
from livemon.diagnose.looks import Look, Looks
from livemon.diagnose.nuisance import DRIFT, IDLE_SHARE_WORKED_OUT, SIZE, WANDER_WORKED_OUT_SD, Prior, State
from livemon.diagnose.past_coupling import PastCoupling
from livemon.diagnose.row_logs import normal
from livemon.diagnose.slip_look import SlipLook, SlipLooks
from livemon.diagnose.windows import Window
from livemon.records import FindingName
from livemon.vehicle import Vehicle

_MISRATED, _MISRATED_SPAN = 0.05, 0.8  # ratings that are another engine's, or out of date
_ODD_STRETCH: Final = 0.01  # one stretch in a hundred is not what it seems: a push, a kerb, a tow
_BRAKED_STRETCH: Final = 0.7  # foot off and no brake signal: most such stretches end in braking, all along
_BRAKE_FORCE_SPAN: Final = 0.6  # of weight; any braking in it as likely as any other
_GEAR_SURE: Final = 0.7
_REACTION_SR: Final = 0.7
OPEN: Final = frozenset(("launch", "pull", "stationary_in_gear"))
_STRETCH_S: Final = 30.0
# What the model gets wrong of one regime in one gear it gets wrong each time: after so many stretches of a
# kind the next one counts half. Common practice, no source.
_ALIKE: Final = 20.0
_WEAK_GAIN_SD: Final = 0.05  # the sizes of a weak engine stand this far apart; the rest is their spread
_ODD_CLIMB, _ODD_CLIMB_SD = 0.05, 0.1  # a barometer that does not tell the altitude, and what slope then
_ROOT_2PI: Final = sqrt(2.0 * pi)


class Bank:
    """Feed windows; read `log_evidence`. One instance per drive."""

    def __init__(self, vehicle: Vehicle, curves: Curves, prior: Prior, rows: tuple[Hypothesis, ...]) -> None:
        count = len(rows)
        self.rows = rows
        self._looks = Looks(vehicle, curves, prior, rows)
        self._slip = SlipLooks(curves, prior, rows)
        self._idle = IdleLooks(curves, prior, rows)
        self._of_finding = {
            name: [i for i, row in enumerate(rows) if row.finding == name] for name in FINDINGS
        }
        self._named = [name for name, of in self._of_finding.items() if of]
        self._members: Array = np.array(
            [[row.finding == name for row in rows] for name in self._named], float
        )
        self._sound = self._of_finding["none"][0]
        self._share = np.array([row.share for row in rows])
        self._x: Array = np.tile(prior.mean, (count, 1))
        self._p: Array = np.tile(np.diag(np.square(prior.sd)), (count, 1, 1))
        self._wander = np.square([row.wander_sd for row in rows])
        self._p[:, State.GAIN_WANDER, State.GAIN_WANDER] += self._wander
        self._walk = np.square([row.walk_nm for row in rows]) / 60.0  # N2 m2 a second
        self._hills = np.square([row.hills for row in rows])
        self._valley = np.square([row.valley for row in rows])
        self._p[:, State.GRADE, State.GRADE] *= self._hills
        self._p[:, State.SLOPE, State.SLOPE] *= self._valley
        self._weak = np.array([row.finding == "engine_low_output" for row in rows])
        self._p[self._weak, State.GAIN, State.GAIN] = _WEAK_GAIN_SD**2
        self._x_before, self._p_before = self._x.copy(), self._p.copy()  # as the stretch began
        self._keep: Array = np.ones(SIZE)
        self._fresh: Array = np.zeros((count, SIZE))
        self._diagonal: Array = self._p.reshape(count, SIZE * SIZE)[:, :: SIZE + 1]  # a view
        self._diagonal_before: Array = self._p_before.reshape(count, SIZE * SIZE)[:, :: SIZE + 1]
        self._outer: Array = np.empty_like(self._p)
        self.looks = 0  # taken so far
        self.reaction_s = 0.0  # of looks under way at speed ratios where the stator's reaction shows
        self._settled: Array = np.zeros(count)  # log evidence of finished stretches
        self._stretch: Array = np.zeros(count)  # of the one going on
        self._stretch_key: tuple[str, int | None] | None = None
        self._alike: dict[tuple[str, int | None] | None, int] = {}  # stretches so far, by key
        self._by_regime: dict[str, Array] = {}  # of the log evidence of finished stretches
        self._stretch_start_s = 0.0
        self._stretch_odd = _ODD_STRETCH
        self._odd_allows: Array = np.zeros(count)  # log share of the stretch that oddness could explain
        self._time_s: float | None = None
        self._idle_nm2 = (IDLE_SHARE_WORKED_OUT * prior.torque_nm) ** 2
        self._torque_source = "reported"  # which the spread of GAIN is that of: the worst heard so far

    # -- reading out ---------------------------------------------------------------------------------

    @property
    def log_evidence(self) -> Array:
        """Natural log of the marginal likelihood of all windows so far, one entry per row."""
        return self._settled + self._softened() * self._worth()

    def log_finding(self, rated: tuple[float, float] | None = None) -> dict[str, float]:
        """ln evidence of each finding that has rows, relative to none, its sizes averaged by their shares.

        rated: ln of what the torque signal is to be multiplied by to report the rating, and its sd.
        """
        evidence = self.log_evidence
        if rated is not None:
            gain, sd = rated
            variance = self._p[:, State.GAIN, State.GAIN] + sd * sd
            fits = normal(gain - self._x[:, State.GAIN], variance)
            evidence = evidence + np.log((1.0 - _MISRATED) * fits + _MISRATED / _MISRATED_SPAN)
        return self._of_findings(evidence)

    def by_regime(self, finding: FindingName) -> dict[str, float]:
        """How much of that ln evidence each regime brought: what would be missing without it."""
        evidence, parts = self.log_evidence, dict(self._by_regime)
        if self._stretch_key is not None:  # the one going on counts too
            regime = self._stretch_key[0]
            parts[regime] = parts.get(regime, 0.0) + self._softened() * self._worth()
        whole = self._of_findings(evidence)[finding]
        return {regime: whole - self._of_findings(evidence - part)[finding] for regime, part in parts.items()}

    @property
    def past_coupling(self) -> PastCoupling | None:
        """What was driven past the coupling point with the engine pulling."""
        return self._slip.past.told

    def _of_findings(self, evidence: Array) -> dict[str, float]:
        weight = self._share * np.exp(evidence - evidence.max())
        sums = dict(zip(self._named, (self._members @ weight).tolist(), strict=True))
        base = log(max(sums["none"], 1e-300))
        return {name: log(max(value, 1e-300)) - base for name, value in sums.items()}

    def best_row(self, finding: str) -> int:
        """Index of the likeliest row of one finding."""
        evidence = self.log_evidence
        return max(
            (i for i, row in enumerate(self.rows) if row.finding == finding), key=lambda i: evidence[i]
        )

    def state(self, row: int, state: State) -> tuple[float, float]:
        """(mean, standard deviation) of one nuisance under one row."""
        return float(self._x[row, state]), float(np.sqrt(max(self._p[row, state, state], 0.0)))

    def size(self, finding: FindingName, state: State) -> tuple[float, float]:
        """(mean, sd) of size of fault plus `state`, over all sizes of one finding as likely as they are."""
        evidence, of = self.log_evidence, self._of_finding[finding]
        weight = self._share[of] * np.exp(evidence[of] - evidence[of].max())
        weight /= weight.sum()
        size = np.array([row.torque_ln if state is State.GAIN else row.drag for row in self.rows])[of]
        value = size + self._x[of, state]
        mean = float(weight @ value)
        variance = float(weight @ (self._p[of, state, state] + (value - mean) ** 2))
        return mean, sqrt(max(variance, 0.0))

    # -- taking in -----------------------------------------------------------------------------------

    def feed(self, w: Window, released: bool = False, converter: bool = True) -> None:
        """Take one window, in time order; `released`: the pedal is known to be up.

        `converter`: slip means one. Else it may be a friction clutch let in, and says nothing.
        """
        if w.gear_probability < _GEAR_SURE or (w.regime in OPEN and not converter):
            return
        scale = capacity = force = None
        slips = converter and self._slip.takes(w, released)
        if converter:
            scale = self._slip.scale(w)
        self._looks.pass_by(w)
        if not slips:
            capacity, force = self._looks.make(w, self._x, released)
            capacity = capacity or self._idle.look(w)
        if capacity is None and force is None and not slips and scale is None:
            return
        if w.torque_source and w.torque_source != self._torque_source:
            self._new_torque_source(w.torque_source)
        # Braking holds the vehicle back as drag does, steadily for seconds and through the gears: one event.
        braked = force is not None and force.odd_sd is None
        key = ("braked", None) if braked else (w.regime, w.gear)
        if key != self._stretch_key or w.start_s - self._stretch_start_s > _STRETCH_S:
            self._close_stretch()
            self._stretch_key, self._stretch_start_s = key, w.start_s
            self._stretch_odd = _BRAKED_STRETCH if braked else _ODD_STRETCH
        self._pass_time(w)
        if w.regime in ("launch", "pull") and w.speed_ratio is not None and w.speed_ratio < _REACTION_SR:
            self.reaction_s += w.end_s - w.start_s
        # Made only now: what drifted, or was unlearnt, since the last window belongs to the innovation.
        if slips:
            open_share = self._update_slip(self._slip.look(w, self._x))
            force = self._looks.force_near_coupling(w, self._x, open_share)
        for look in (capacity, force, scale):
            if look is not None:
                self._update(look)

    def climbed(self, slope: Slope) -> None:
        """How the road has climbed of late: short hills, up and down, hardly show in it."""
        h: Array = np.zeros_like(self._x)
        h[:, State.SLOPE] = 1.0
        _, hill_m, hill_sd = DRIFT[State.GRADE]
        variance = slope.sd**2 + hill_sd**2 * 2.0 * hill_m / slope.length_m
        self._update(Look(np.full(len(self.rows), slope.value), h, variance, _ODD_CLIMB, _ODD_CLIMB_SD))

    def _softened(self) -> Array:
        """Log evidence of the stretch going on, as it stands when it may be odd as a whole."""
        relative = np.exp(self._stretch - self._stretch.max())
        odd = self._stretch_odd
        softened: Array = np.log((1.0 - odd) * relative + odd * np.exp(self._odd_allows))
        return softened

    def _worth(self) -> float:
        """What the stretch going on counts, after so many of its kind."""
        return 1.0 / (1.0 + (self._alike.get(self._stretch_key, 0) + 1) / _ALIKE)

    def _close_stretch(self) -> None:
        """Merge "it was what it seemed" and "it was odd": as far as a row takes it for odd, it learns
        nothing."""
        settled = self._softened()
        told = settled * self._worth()
        self._settled += told
        if self._stretch_key is not None:
            regime = self._stretch_key[0]
            self._by_regime[regime] = self._by_regime.get(regime, 0.0) + told
        self._alike[self._stretch_key] = self._alike.get(self._stretch_key, 0) + 1
        odd = self._stretch_odd * np.exp(self._odd_allows - settled)
        self._stretch[:] = self._odd_allows[:] = 0.0
        moved = self._x - self._x_before
        self._x -= odd[:, None] * moved
        self._p += odd[:, None, None] * (self._p_before - self._p)
        self._p += (odd * (1.0 - odd))[:, None, None] * (moved[:, :, None] * moved[:, None, :])
        self._x_before[:], self._p_before[:] = self._x, self._p

    def _new_torque_source(self, source: str) -> None:
        """The torque now comes from elsewhere: its gain is known no better than that source allows."""
        extra = gain_sd(source) ** 2 - gain_sd(self._torque_source) ** 2
        if extra > 0.0:
            for p in (self._p, self._p_before):
                p[~self._weak, State.GAIN, State.GAIN] += extra
            if self._torque_source == "reported":
                self._torque_is_worked_out()
            self._torque_source = source

    def _torque_is_worked_out(self) -> None:
        """Not reported: it is worse at idle, and not equally right everywhere."""
        wander = WANDER_WORKED_OUT_SD**2 - DRIFT[State.GAIN_WANDER][2] ** 2
        self._wander += wander
        for p in (self._p, self._p_before):
            p[:, State.IDLE, State.IDLE] += self._idle_nm2
            p[:, State.GAIN_WANDER, State.GAIN_WANDER] += wander

    def _pass_time(self, w: Window) -> None:
        now_s = w.middle_s
        if self._time_s is not None:
            dt_s = max(now_s - self._time_s, 0.0)
            moved_m = dt_s * (w.road_speed_m_s or 0.0)
            keep, fresh = self._keep, self._fresh
            for state, (time_s, length_m, spread) in DRIFT.items():
                kept = keep[state] = exp(-dt_s / time_s - moved_m / length_m)
                fresh[:, state] = spread * spread * (1.0 - kept * kept)
            fresh[:, State.GRADE] *= self._hills
            fresh[:, State.SLOPE] *= self._valley
            fresh[:, State.OFFSET] = self._walk * dt_s
            fresh[:, State.GAIN_WANDER] += self._wander * (1.0 - keep[State.GAIN_WANDER] ** 2)
            both = keep[:, None] * keep
            # As the stretch began is as old by now: unlearnt, it must not bring a hill of then back.
            for x, p, diagonal in (
                (self._x, self._p, self._diagonal),
                (self._x_before, self._p_before, self._diagonal_before),
            ):
                x *= keep
                p *= both
                diagonal += fresh
            now_s = max(now_s, self._time_s)  # windows that had waited come late
        self._time_s = now_s

    def _update_slip(self, look: SlipLook) -> Array:
        """The same for a look at speed ratio; how likely each row takes the clutch for open comes back."""
        ph, s = self._spread(look.h, look.variance)
        e = look.off
        fits = normal(e, s)
        open_ = (1.0 - look.share_on) * fits
        on = look.share_on * look.on
        total = open_ + on + look.odd
        self._stretch += np.log(total)
        self._slip.learn(look.gear, on / total)
        self._step(e, ph, s, open_ / total)
        share: Array = open_ / (open_ + on + 1e-12)
        return share

    def _update(self, look: Look) -> None:
        """One scalar look for every row: likelihood, then a step as large as the look is believed."""
        odd = look.odd
        ph, s = self._spread(look.h, look.variance)
        e = look.seen - (self._x * look.h).sum(1)
        ee = e * e
        good = ((1.0 - odd) / _ROOT_2PI) * np.exp(-0.5 * ee / s) / np.sqrt(s)
        if look.odd_sd is None:
            # Brakes explain being held back more than expected, never less.
            held_back = 0.5 + 0.5 * np.tanh(0.8 * e / np.sqrt(s))
            self._odd_allows += np.log(held_back + 1e-3)
            bad = odd / _BRAKE_FORCE_SPAN * held_back
        else:
            wide = s + look.odd_sd**2
            bad = (odd / _ROOT_2PI) * np.exp(-0.5 * ee / wide) / np.sqrt(wide)
        total = good + bad + 1e-12
        self._stretch += np.log(total)
        self._step(e, ph, s, good / total)

    def _spread(self, h: Array, variance: float) -> tuple[Array, Array]:
        """Covariance with what h reads, and the variance of the reading, row by row."""
        ph = np.matmul(self._p, h[:, :, None])[:, :, 0]
        return ph, (ph * h).sum(1) + variance

    def _step(self, e: Array, ph: Array, s: Array, believed: Array) -> None:
        """Learn from an innovation e of variance s as far as it is believed: mean and covariance of the
        mixture of having learnt and not."""
        gain = ph / s[:, None]
        self._x += gain * (believed * e)[:, None]
        less = believed * (s - (1.0 - believed) * e * e)
        self._p -= np.multiply((gain * less[:, None])[:, :, None], gain[:, None, :], out=self._outer)
        self.looks += 1
