"""Scatter of engine speed about its smooth course: shows that something shakes, not how fast.

Sampling slower than twice the shake folds its frequency, but not its size. What is left of a reading after
the straight line between its two neighbours is rounding on a smooth drive, and the shake on a rough one.
Counted with the clutch on, open under power, coasting and standing; `shake_model.py` weighs what it means.
Readings at uneven times still tell one frequency from another where it is known: half an order of engine
speed is a cylinder that does not fire.
"""

from __future__ import annotations

from math import cos, inf, log, pi, sin, sqrt
from typing import Final

from livemon.diagnose.shake_model import BIN_LN, BINS, LEAST_LN, Explained, explain
from livemon.records import Estimate

_SPAN_S: Final = 2.0  # between the outer two of three readings; further apart a smooth drive bends too much
_CALM_RPM_S: Final = 200.0  # clutch on: faster is a change of speed, not a cruise
_IDLE_RPM: Final = 900.0
# Slip says whether the clutch is on where the estimate does not: a converter past its coupling point slips by
# more while it pulls, at a speed ratio that alone looks like a clutch that is on.
_ON_SLIP_RPM, _STAYS_ON_SLIP_RPM = 100.0, 200.0
# An open converter slips as little with little torque, and follows the foot: none is on that for so long
# nobody has thought it might be.
_MAY_BE_ON, _FORGET_S = 0.05, 4.0
_OPEN_SR, _COAST_SR = 0.8, 1.05  # above the first there is no telling that it is open
_KICKS_DOWN: Final = 4  # from this gear on: rather than pull at such a speed ratio; the gear is another
_SURE_GEAR: Final = 0.95
_PULLS_NM: Final = 15.0  # no engine coasts with more, and no clutch shudders with less
_SETTLES_S: Final = 2.3  # shifts and the clutch coming on swing the driveline for a second or two
_STEP_SETTLES_S: Final = 1.2
_PEDAL_STEP_PCT: Final = 2.0
_TORQUE_STEP_NM, _TORQUE_STEP = 8.0, 0.15  # what the engine itself does is no shake of the clutch
_TORQUE_WITHIN_NM, _TORQUE_WITHIN = 10.0, 0.25
_BLOCK_S, _BLOCK_MOST_S, _BLOCK_LEAST = 2.0, 7.0, 4
# How fast a smooth course bends, rpm/s²: what it makes of readings far apart is taken off their scatter.
_BEND_ON, _BEND_NEAR, _BEND_OPEN = 3.0, 20.0, 60.0
_SHAKES_RPM: Final = 3.0  # a block above it may shake
_FIRST_S: Final = 2.5  # standing: the engine comes down to idle
# The order is looked for in so many readings running, if they scatter by so much.
_RUN, _RUN_MOST, _RUN_S, _RUN_MOST_S, _RUN_RPM = 8, 24, 1.2, 5.0, 2.5
_HALF_ORDER, _BESIDE = 0.5, (0.43, 0.57)
# ln evidence of half order in one run from how much better it fits than orders beside it: a line between two
# limits. Runs next to one another share their cause.
_ORDER_AT_0, _ORDER_SLOPE, _ORDER_MOST, _ORDER_TEMPER = -0.9, 0.45, 2.5, 0.5
_SPEEDS_PER_LN, _ORDER_SPEED_MOST = 12.0, 2.5  # steps of 8 % in engine speed
_ORDER_KNOWN: Final = (-8.0, 12.0)  # beyond these nothing more is to be learnt
_AGAIN, _AGAIN_SMOOTH = 1.1, 1.4  # weighed again when there are so many times more blocks

_ON, _OPEN, _COAST, _STILL, _NONE = range(5)
_STATES: Final[dict[str, int]] = {
    "locked": _ON, "launch": _OPEN, "coast": _COAST, "stationary_in_gear": _STILL, "neutral": _STILL,
    "pull": _NONE, "shift": _NONE, "unknown": _NONE,
}  # fmt: skip
_BEND: Final = (0.5 * _BEND_ON, 0.5 * _BEND_OPEN, 0.5 * _BEND_ON, 0.5 * _BEND_ON)
# What is left of a reading; share of the way between its neighbours; turns of the engine before, at and
# after; its time.
_Left = tuple[float, float, float, float, float, float]


class Blocks:
    """Stretches of about two seconds in one state, counted by ln of the rms scatter."""

    __slots__ = ("bins", "count", "shaking", "strongest_rpm")

    def __init__(self) -> None:
        self.bins = [0] * BINS
        self.count = self.shaking = 0
        self.strongest_rpm = 0.0

    def add(self, rms_rpm: float) -> None:
        at = int((log(max(rms_rpm, 0.1)) - LEAST_LN) / BIN_LN)
        self.bins[min(at, BINS - 1)] += 1
        self.count += 1
        if rms_rpm > _SHAKES_RPM:
            self.shaking += 1
            self.strongest_rpm = max(self.strongest_rpm, rms_rpm)

    @property
    def share(self) -> float:
        """Of blocks that may shake."""
        return self.shaking / self.count if self.count else 0.0


class ShakeWatch:
    """Feed every Estimate, in time order."""

    __slots__ = (
        "_a", "_b", "_block_s", "_key", "_known", "_least_nm", "_may_be_on_s", "_most_nm", "_n", "_orders",
        "_run", "_run_sum", "_settled_s", "_state", "_sum", "_told", "_turns_a", "_turns_b", "_weigh_at",
        "coast", "disturbed_s", "explained", "on", "open", "order", "still",
    )  # fmt: skip

    def __init__(self) -> None:
        self.on, self.open, self.coast, self.still = Blocks(), Blocks(), Blocks(), Blocks()
        self.order = 0.0  # ln evidence that the scatter follows half an order of engine speed
        self._may_be_on_s = -inf
        self.disturbed_s = 0.0  # last shift, step of the pedal, or change of the clutch
        self._a: Estimate | None = None  # the two readings before
        self._b: Estimate | None = None
        self._state, self._key = _NONE, -1
        self._known = False
        self._told = 0  # blocks with the clutch on in which pedal or torque was known
        self._settled_s = 0.0
        self._turns_a = self._turns_b = 0.0
        self._n = 0
        self._sum = self._block_s = self._least_nm = self._most_nm = 0.0
        self._run: list[_Left] = []
        self._run_sum = 0.0
        self._orders: dict[int, float] = {}
        # How well a sound vehicle, a shaking clutch and a shaking engine explain what was seen so far.
        self.explained = Explained(0.0, 0.0, 0.0)
        self._weigh_at = 0.0

    def feed(self, c: Estimate) -> None:
        """Take one Estimate. The hot path."""
        regime = c.regime
        state = _STATES[regime]
        if c.on_probability > _MAY_BE_ON:
            self._may_be_on_s = c.time_s
        if regime == "pull" or regime == "coast":
            ratio, gear = c.speed_ratio or 0.0, c.gear or 0
            # Once on, it is taken for on until it is clearly open: where slip swings, every other swing looks
            # like an open clutch, or like coasting.
            was_on = self._key == _ON + 4 * gear
            if regime == "coast":
                torque = c.engine_torque_nm
                if was_on and ratio < _COAST_SR and (torque is None or torque > _PULLS_NM):
                    state = _ON
            elif gear > 1 and (1.0 - ratio) * c.engine_rpm < (_STAYS_ON_SLIP_RPM if was_on else _ON_SLIP_RPM):
                if c.time_s - self._may_be_on_s < _FORGET_S:
                    state = _ON
            elif ratio < _OPEN_SR and gear < _KICKS_DOWN and c.gear_probability > _SURE_GEAR:
                state = _OPEN
        rpm = c.engine_rpm
        if state == _NONE or (rpm < _IDLE_RPM and state != _STILL):
            self.disturbed_s = c.time_s
            if self._key >= 0:
                self._key, self._b = -1, None
                self._close()
            return
        time_s = c.time_s
        a, b = self._a, self._b
        self._a, self._b = b, c
        key = state if state == _STILL else state + 4 * (c.gear or 0)
        if b is None or key != self._key or time_s - b.time_s > _SPAN_S:
            self._close()
            self._key, self._state, self._a = key, state, None
            self._settled_s = time_s + (_FIRST_S if state == _STILL else _SETTLES_S)
            self.disturbed_s = time_s
            self._turns_b = 0.0
            return
        before, at = self._turns_a, self._turns_b
        middle_s = b.time_s
        after_s = time_s - middle_s
        after = at + (rpm + b.engine_rpm) * after_s / 120.0
        self._turns_a, self._turns_b = at, after
        if a is None:
            return
        pedal, pedal_a, torque, torque_a = c.pedal_pct, a.pedal_pct, c.engine_torque_nm, a.engine_torque_nm
        if (pedal is not None and pedal_a is not None and abs(pedal - pedal_a) > _PEDAL_STEP_PCT) or (
            torque is not None
            and torque_a is not None
            and state != _STILL
            and (
                abs(torque - torque_a) > _TORQUE_STEP_NM + _TORQUE_STEP * abs(torque)
                or (torque < _PULLS_NM and state == _ON)  # fuel cut and back: the driveline rattles
            )
        ):
            self.disturbed_s = time_s
            self._settled_s = max(self._settled_s, time_s + _STEP_SETTLES_S)
            self._close()
            return
        before_s = middle_s - a.time_s
        span_s = before_s + after_s
        if middle_s < self._settled_s or before_s <= 0.0 or after_s <= 0.0 or span_s > _SPAN_S:
            return
        bend = _BEND[state]
        if state == _ON:
            if abs(b.engine_accel_rpm_s) > _CALM_RPM_S:
                return
            if b.regime != "locked":
                bend = 0.5 * _BEND_NEAR
        share = before_s / span_s
        rest = 1.0 - share
        left = b.engine_rpm - a.engine_rpm * rest - rpm * share
        bend *= before_s * after_s
        square = left * left
        n = self._n
        if n:
            so_far_s = middle_s - self._block_s
            if so_far_s > _BLOCK_S and (n >= _BLOCK_LEAST or so_far_s > _BLOCK_MOST_S):
                self._close_block()
                n = 0
        if n == 0:
            self._block_s, self._sum = middle_s, 0.0
            self._least_nm = self._most_nm = torque or 0.0
            self._known = torque is not None or pedal is not None
        self._n = n + 1
        # White scatter comes out so many fold: the line between two neighbours scatters too.
        self._sum += square / (1.0 + share * share + rest * rest + bend * bend)
        if torque is not None:
            if torque < self._least_nm:
                self._least_nm = torque
            elif torque > self._most_nm:
                self._most_nm = torque
        if state == _COAST:
            return
        run = self._run
        run.append((left, share, before, at, after, middle_s))
        self._run_sum += square
        if len(run) >= _RUN and (middle_s - run[0][5] > _RUN_S or len(run) > _RUN_MOST):
            self._close_run()

    def _close(self) -> None:
        self._close_block()
        self._run.clear()
        self._run_sum = 0.0

    def _close_block(self) -> None:
        n, self._n = self._n, 0
        if n < _BLOCK_LEAST:
            return
        within = self._most_nm - self._least_nm
        if self._state != _STILL and within > _TORQUE_WITHIN_NM + _TORQUE_WITHIN * self._most_nm:
            return
        (self.on, self.open, self.coast, self.still)[self._state].add(sqrt(self._sum / n))
        if self._state == _ON:
            self._told += self._known
        # By what came, never by when somebody asked: asking changes nothing.
        if self._state == _ON and self.on.count >= self._weigh_at:
            self._weigh()

    def _weigh(self) -> None:
        on = self.on
        self._weigh_at = on.count * (_AGAIN if on.shaking else _AGAIN_SMOOTH) + 1.0
        rest = [x + y for x, y in zip(self.still.bins, self.coast.bins, strict=True)]
        self.explained = explain(on.bins, self.still.bins, self.open.bins, rest, self.order)

    def end(self) -> None:
        """The drive is over: weigh all of it."""
        self._close()
        if self.on.count:
            self._weigh()

    def _close_run(self) -> None:
        """How much better half an order fits a run of readings than what lies beside it."""
        run, total = self._run, self._run_sum
        self._run, self._run_sum = [], 0.0
        if not _ORDER_KNOWN[0] < self.order < _ORDER_KNOWN[1]:
            return
        if total < 1.5 * _RUN_RPM * _RUN_RPM * len(run) or run[-1][5] - run[0][5] > _RUN_MOST_S:
            return
        better = _fits(run, total, _HALF_ORDER) - 0.5 * sum(_fits(run, total, order) for order in _BESIDE)
        value = _ORDER_TEMPER * min(max(_ORDER_AT_0 + _ORDER_SLOPE * better, _ORDER_AT_0), _ORDER_MOST)
        # A shake of one frequency meets half an order at one engine speed: misfire keeps to it at others too.
        rpm = 60.0 * (run[-1][3] - run[0][3]) / (run[-1][5] - run[0][5])
        speed = int(_SPEEDS_PER_LN * log(max(rpm, 1.0)))
        before = self._orders.get(speed, 0.0)
        self._orders[speed] = before + value
        self.order += min(before + value, _ORDER_SPEED_MOST) - min(before, _ORDER_SPEED_MOST)

    # -- reading out ---------------------------------------------------------------------------------

    def against_none(self, swings: float, swings_engine: float) -> float:
        """ln evidence of clutch shudder relative to a vehicle without a fault of ours; see Explained."""
        return self.explained.against_none(swings, swings_engine, 2 * self._told >= self.on.count)

    @property
    def strength(self) -> float:
        """0 (smooth, or too little seen) to 1 (something shakes while the clutch is on)."""
        return self.explained.shaking if self.on.shaking else 0.0


def _fits(run: list[_Left], total: float, order: float) -> float:
    """ln likelihood gained by a swing at `order` turns of the engine, its size and phase free."""
    w = 2.0 * pi * order
    cc = ss = cs = yc = ys = 0.0
    for left, share, before, at, after, _ in run:
        c = cos(w * at) - (1.0 - share) * cos(w * before) - share * cos(w * after)
        s = sin(w * at) - (1.0 - share) * sin(w * before) - share * sin(w * after)
        cc += c * c
        ss += s * s
        cs += c * s
        yc += c * left
        ys += s * left
    determinant = cc * ss - cs * cs
    if determinant < 1e-3 * cc * ss:
        return 0.0  # at these times it looks like the smooth course itself
    taken = (yc * yc * ss - 2.0 * yc * ys * cs + ys * ys * cc) / (determinant * total)
    return -(0.5 * len(run) - 1.0) * log(max(1.0 - taken, 1e-4))
