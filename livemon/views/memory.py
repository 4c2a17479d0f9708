"""What the screen and the report remember of a drive, in bounded memory however long it lasts.

Fed once a reading and once an estimate, so the two hot methods do next to nothing; the rest happens
when a span of SPAN_S closes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from math import inf
from typing import Final, TypeVar

from livemon.quantities import CLUTCH_COMES_ON_S, NEAR_COUPLING, RPM_TO_RAD_S
from livemon.records import Estimate, Oscillation, Reading, Regime
from livemon.views.snapshot import Point, Rate, SlipSpan

Item = TypeVar("Item")
SPAN_S: Final = 0.25
RECENT: Final = 720  # spans the screen can look back on: 3 minutes
RECENT_POINTS: Final = 240
WHOLE: Final = 2048  # spans, points and swings kept of a whole drive; then every two become one
_NO_HEAT_KW: Final = 0.5  # torque flows from the faster to the slower; more against it is no noise
HEAT_SPANS: Final = 4  # the peak is what lasted a second, not one odd reading
RATE_WINDOW_S: Final = 5.0
VAGUE: Final = 0.25  # a point known no better than this share of itself is not worth a place
OPEN_REGIMES: Final = frozenset({"stationary_in_gear", "launch", "pull"})
LEAST_PUMP_NM: Final = 25.0  # less, as at idle, is mostly what the torque signal is off by
OPEN_BELOW: Final = 0.1  # probability of a closed clutch up to which it counts as open
# A point is held back until it is known what followed. The clutch takes torque before it is seen to be on
# (the diagnosis waits as long); a shift hands torque over before and after its speeds move.
NEAR_SHIFT_S: Final = 1.0


def heat_kw(estimate: Estimate) -> float | None:
    """Power that ends as heat in the converter, at most [kW]: pump torque x slip speed.

    Exact with the clutch applied and at stall; between them a multiplying converter wastes less.
    None where slip is too uncertain for the figure to mean anything, or of a sign that torque cannot have.
    """
    if estimate.pump_torque_nm is None or estimate.slip_rpm is None:
        return None
    per_rpm = estimate.pump_torque_nm * RPM_TO_RAD_S / 1000.0
    heat, sd = per_rpm * estimate.slip_rpm, abs(per_rpm) * estimate.slip_sd_rpm
    standing = estimate.regime == "stationary_in_gear"  # it takes torque, whatever the signal says
    if heat < (0.0 if standing else -max(_NO_HEAT_KW, 2.0 * sd)) or sd > max(1.0, 0.5 * heat):
        return None
    return max(0.0, heat)


def capacity_sd(estimate: Estimate) -> float:
    """Standard deviation of the capacity factor from that of the pump torque: K goes with 1/sqrt(torque)."""
    k, torque = estimate.capacity_rpm_per_sqrt_nm, estimate.pump_torque_nm
    if k is None or torque is None or torque <= 0.0:
        return inf
    return 0.5 * k * estimate.pump_torque_sd_nm / torque


def telling_point(e: Estimate) -> Point | None:
    """The operating point of an estimate with the clutch open, of what is known well enough to show."""
    if e.regime not in OPEN_REGIMES or e.speed_ratio is None or e.locked_probability > OPEN_BELOW:
        return None
    k, k_sd, ratio = e.capacity_rpm_per_sqrt_nm, capacity_sd(e), e.torque_ratio
    if k is not None and not (k_sd <= VAGUE * k and (e.pump_torque_nm or 0.0) >= LEAST_PUMP_NM):
        k = None
    if ratio is not None and not e.torque_ratio_sd <= VAGUE * abs(ratio):
        ratio = None
    if k is None and ratio is None:
        return None
    return Point(
        e.time_s, e.speed_ratio, k, k_sd, ratio, e.torque_ratio_sd, e.regime, e.speed_ratio_sd
    )  # fmt: skip


def held_s(point: Point) -> float:
    """How long it takes until nothing that follows can make a point untrue [s]."""
    may_close = point.regime == "pull" or point.speed_ratio > NEAR_COUPLING
    return CLUTCH_COMES_ON_S if may_close else NEAR_SHIFT_S


class Memory:
    """Histories of one drive."""

    def __init__(self) -> None:
        self.recent: deque[SlipSpan] = deque(maxlen=RECENT)
        self.recent_points: deque[Point] = deque(maxlen=RECENT_POINTS)
        self.slip: list[SlipSpan] = []
        self.points: list[Point] = []
        self.shake: Oscillation | None = None
        self.shakes: list[Oscillation] = []
        self.regime_s: dict[Regime, float] = {}
        self.heat_peak_kw: float | None = None
        self.heat_kj: float | None = None
        self._heats: deque[float] = deque(maxlen=HEAT_SPANS)
        self.counts: dict[str, int] = {}
        self._seen_s: dict[str, float] = {}
        self._marks: deque[tuple[float, dict[str, int]]] = deque()
        self._waiting: deque[Point] = deque(maxlen=RECENT_POINTS)  # what followed them is not known yet
        self._shift_s = -inf
        self._point_stride, self._point_skip = 1, 0
        self._last: Estimate | None = None
        self._start_s, self._end_s = 0.0, SPAN_S
        self._low, self._high, self._sum, self._n = inf, -inf, 0.0, 0

    def see(self, reading: Reading) -> None:
        """Count one reading for the rates."""
        quantity = reading.quantity
        self.counts[quantity] = self.counts.get(quantity, 0) + 1
        self._seen_s[quantity] = reading.time_s

    def add(self, estimate: Estimate) -> None:
        """Remember one estimate."""
        if estimate.time_s >= self._end_s:
            self._close(estimate.time_s)
        self._last = estimate
        slip = estimate.slip_rpm
        if slip is not None:
            if slip < self._low:
                self._low = slip
            if slip > self._high:
                self._high = slip
            self._sum += slip
            self._n += 1

    def swing(self, oscillation: Oscillation) -> None:
        """Remember one look at the spectrum. Open, slip swings by itself: only the locked clutch tells."""
        if not oscillation.locked:
            return
        self.shake = oscillation
        self.shakes.append(oscillation)
        if len(self.shakes) > WHOLE:
            self.shakes = _halved(self.shakes, _stronger)

    def rates(self, now_s: float) -> tuple[Rate, ...]:
        """Readings a second of each quantity over the last seconds, the fastest first."""
        marks = self._marks
        marks.append((now_s, dict(self.counts)))
        while len(marks) > 2 and now_s - marks[1][0] >= RATE_WINDOW_S:
            marks.popleft()
        since_s, before = marks[0]
        span_s = now_s - since_s
        if span_s <= 0.0:
            return tuple(Rate(q, 0.0, max(0.0, now_s - self._seen_s[q])) for q in self.counts)
        rates = [
            Rate(q, (n - before.get(q, 0)) / span_s, max(0.0, now_s - self._seen_s[q]))
            for q, n in self.counts.items()
        ]
        return tuple(sorted(rates, key=lambda r: -r.per_s))

    def whole_rates(self, duration_s: float) -> tuple[Rate, ...]:
        """Readings a second of each quantity over the whole drive, the fastest first."""
        if duration_s <= 0.0:
            return ()
        rates = [Rate(q, n / duration_s, duration_s - self._seen_s[q]) for q, n in self.counts.items()]
        return tuple(sorted(rates, key=lambda r: -r.per_s))

    def end(self) -> None:
        """Close the last span."""
        if self._last is not None:
            self._close(self._last.time_s)

    def _open(self, start_s: float) -> None:
        self._start_s, self._end_s = start_s, start_s + SPAN_S
        self._low, self._high, self._sum, self._n = inf, -inf, 0.0, 0

    def _close(self, now_s: float) -> None:
        last = self._last
        if last is not None:
            # A gap in the readings is not time spent in a regime.
            lasted_s = min(now_s - self._start_s, 4 * SPAN_S)
            self.regime_s[last.regime] = self.regime_s.get(last.regime, 0.0) + lasted_s
            if self._n:
                locked = last.regime == "locked"
                span = SlipSpan(self._start_s, self._low, self._high, self._sum / self._n, locked)
                self.recent.append(span)
                self.slip.append(span)
                if len(self.slip) > WHOLE:
                    self.slip = _halved(self.slip, _joined)
            self._wait(last)
            heat = heat_kw(last)
            if heat is not None:
                self._heats.append(heat)
                if len(self._heats) == HEAT_SPANS:
                    self.heat_peak_kw = max(min(self._heats), self.heat_peak_kw or 0.0)
                self.heat_kj = (self.heat_kj or 0.0) + heat * lasted_s
        self._open(now_s)

    def _wait(self, e: Estimate) -> None:
        """Drop the points that a shift or the closing clutch has made untrue, keep those it no longer can."""
        waiting = self._waiting
        if e.regime == "shift":
            self._shift_s = e.time_s
        since_s = {"shift": e.time_s - NEAR_SHIFT_S, "locked": e.time_s - CLUTCH_COMES_ON_S}.get(e.regime)
        while since_s is not None and waiting and waiting[-1].time_s > since_s:
            waiting.pop()
        while waiting and e.time_s - waiting[0].time_s >= held_s(waiting[0]):
            self._keep(waiting.popleft())
        point = telling_point(e)
        if point is not None and e.time_s - self._shift_s >= NEAR_SHIFT_S:
            waiting.append(point)

    def _keep(self, point: Point) -> None:
        self.recent_points.append(point)
        self._point_skip += 1
        if self._point_skip >= self._point_stride:
            self._point_skip = 0
            self.points.append(point)
            if len(self.points) > WHOLE:
                self.points = self.points[::2]
                self._point_stride *= 2


def _halved(items: list[Item], join: Callable[[Item, Item], Item]) -> list[Item]:
    """Every two neighbours as one, so a long drive costs no more than a short one; an odd one is kept."""
    pairs = zip(items[::2], items[1::2], strict=False)
    return [join(a, b) for a, b in pairs] + items[len(items) // 2 * 2 :]


def _joined(a: SlipSpan, b: SlipSpan) -> SlipSpan:
    return SlipSpan(
        a.start_s,
        min(a.low_rpm, b.low_rpm),
        max(a.high_rpm, b.high_rpm),
        0.5 * (a.mean_rpm + b.mean_rpm),
        a.locked and b.locked,
    )


def _stronger(a: Oscillation, b: Oscillation) -> Oscillation:
    return a if a.amplitude_rpm >= b.amplitude_rpm else b
