"""The simulated driver follows a drawn plan: stops, launches, pulls, cruises, coast-downs, brake taps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import Literal, NamedTuple

Style = Literal["mixed", "town", "highway", "delivery", "road_test", "demonstration", "trace"]
Kind = Literal["park", "stop", "creep", "launch", "pull", "cruise", "coast", "slow", "tap"]


class Leg(NamedTuple):
    """One leg of a plan. It ends at `until_kmh` (launch, pull, coast, slow) or after `seconds`."""

    kind: Kind
    seconds: float
    pedal: float = 0.0
    until_kmh: float = 0.0


@dataclass(frozen=True, slots=True)
class DriverTruth:
    style: Style
    pedal_lag_s: float
    wobble: float  # unsteadiness of the foot
    hurry: float  # 0 gentle ... 1 brisk
    top_kmh: float
    trace: tuple[tuple[float, float], ...] = ()  # (s, km/h) for style "trace"


def plan(d: DriverTruth, rng: Random) -> Iterator[Leg]:
    """Legs without end, drawn anew."""

    def pedal() -> float:
        return min(1.0, max(0.12, rng.gauss(0.28 + 0.3 * d.hurry, 0.16)))

    def trip(v: float, cruise_s: float, first: float) -> Iterator[Leg]:
        yield Leg("launch", 30.0, first, v)
        yield Leg("cruise", cruise_s * rng.uniform(0.6, 1.5), until_kmh=v)
        for _ in range(rng.choice((0, 0, 1, 1, 2))):
            what = rng.random()
            if what < 0.3:
                yield Leg("tap", rng.uniform(0.4, 1.2))
                yield Leg("cruise", rng.uniform(5.0, 14.0), until_kmh=v)
            elif what < 0.6:
                yield Leg("coast", rng.uniform(3.0, 12.0), until_kmh=0.55 * v)
                yield Leg("pull", 15.0, min(1.0, pedal() + 0.2), v)
                yield Leg("cruise", rng.uniform(4.0, 12.0), until_kmh=v)
            elif what < 0.8:
                yield Leg("pull", 8.0, min(1.0, pedal() + 0.15), min(d.top_kmh, v * 1.25))
                yield Leg("cruise", rng.uniform(5.0, 20.0), until_kmh=min(d.top_kmh, v * 1.2))
            else:
                yield Leg("slow", 10.0, rng.uniform(0.8, 1.8), v * rng.uniform(0.3, 0.7))
                yield Leg("cruise", rng.uniform(4.0, 12.0), until_kmh=v * rng.uniform(0.6, 1.0))
        if rng.random() < 0.35:
            yield Leg("coast", rng.uniform(4.0, 15.0), until_kmh=0.4 * v)
        yield Leg("slow", 30.0, rng.uniform(0.9, 2.4), 0.0)
        yield Leg("stop", rng.uniform(1.5, 14.0))

    if rng.random() < 0.4:
        yield Leg("park", rng.uniform(2.0, 8.0))
    yield Leg("stop", rng.uniform(2.0, 6.0))
    if d.style == "highway":
        v = rng.uniform(0.8, 1.0) * d.top_kmh
        yield Leg("launch", 40.0, pedal(), v)
        while True:
            yield Leg("cruise", rng.uniform(15.0, 60.0), until_kmh=v)
            what = rng.random()
            if what < 0.35:
                v = rng.uniform(0.75, 1.0) * d.top_kmh
                yield Leg("pull", 10.0, min(1.0, pedal() + 0.2), v)
            elif what < 0.6:
                yield Leg("coast", rng.uniform(4.0, 15.0), until_kmh=0.7 * v)
            elif what < 0.8:
                yield Leg("tap", rng.uniform(0.4, 1.2))
            else:
                v = rng.uniform(0.7, 0.95) * d.top_kmh
                yield Leg("slow", 10.0, rng.uniform(0.6, 1.5), v)
    if d.style == "demonstration":  # everything that tells, and nothing else
        while True:
            for first in (0.5, 0.75, 1.0):
                yield Leg("launch", 30.0, first, 65.0)
                yield Leg("cruise", 14.0, until_kmh=68.0)
                yield Leg("coast", 6.0, until_kmh=45.0)
                yield Leg("pull", 15.0, 1.0, 95.0)
                yield Leg("cruise", 22.0, until_kmh=min(d.top_kmh, 92.0))
                yield Leg("slow", 30.0, 1.5, 0.0)
                yield Leg("stop", 4.0)
    if d.style == "road_test":
        while True:
            for first in (0.25, 0.45, 0.7, 1.0):
                yield from trip(rng.uniform(45.0, 75.0), 12.0, min(1.0, first * rng.uniform(0.85, 1.1)))
            yield from trip(min(d.top_kmh, rng.uniform(80.0, 105.0)), 35.0, pedal())
    while True:
        if d.style == "delivery" or (d.style in ("town", "mixed") and rng.random() < 0.2):
            yield Leg("creep", rng.uniform(2.0, 7.0))
            if rng.random() < 0.5:
                yield Leg("stop", rng.uniform(1.0, 5.0))
        if d.style == "mixed" and rng.random() < 0.35:
            yield from trip(rng.uniform(0.7, 1.0) * d.top_kmh, 40.0, pedal())
        else:
            top = {"delivery": 45.0, "town": 58.0}.get(d.style, 70.0)
            yield from trip(rng.uniform(0.5, 1.0) * top, 14.0 if d.style != "delivery" else 7.0, pedal())


class Driver:
    """Turns the plan into pedal (0..1), wanted braking [m/s2], brake switch and selector."""

    PERIOD_S = 0.04

    def __init__(
        self, truth: DriverTruth, rng: Random, resist: tuple[float, float, float], full_force_n: float
    ) -> None:
        """resist: rolling [N], drag [N s2/m2], mass [kg]: what an accustomed foot knows of the car."""
        self.truth, self._rng = truth, rng
        self._rolling, self._drag, self._mass = resist
        self._full_force = full_force_n
        self._plan = plan(truth, rng)
        self.leg = Leg("stop", 2.0)
        self._leg_start_s = 0.0
        self.pedal = 0.0
        self.brake_m_s2 = 0.0
        self.brake_on = True
        self.park = False
        self._want_pedal = 0.0
        self._want_brake = 2.5
        self._integral = 0.0
        self._shake = 0.0

    def step(self, time_s: float, v: float) -> None:
        """One decision, every PERIOD_S. v: true road speed [m/s]."""
        if self.truth.trace:
            self._follow_trace(time_s, v)
        else:
            self._follow_plan(time_s, v)
        dt, rng = self.PERIOD_S, self._rng
        self._shake += -self._shake * dt / 0.7 + rng.gauss(0.0, self.truth.wobble) * dt**0.5
        want = self._want_pedal
        if want > 0.0:
            want = min(1.0, max(0.015, want * (1.0 + self._shake)))
        rate = dt / self.truth.pedal_lag_s
        step = want - self.pedal
        down = -3.0 * rate
        self.pedal += rate if step > rate else down if step < down else step
        if self.pedal < 0.004:
            self.pedal = 0.0
        brake_step = self._want_brake - self.brake_m_s2
        limit = 6.0 * dt
        self.brake_m_s2 += (
            limit if brake_step > limit else -2.5 * limit if brake_step < -2.5 * limit else brake_step
        )
        self.brake_on = self.brake_m_s2 > 0.02

    def _next(self, time_s: float) -> None:
        self.leg = next(self._plan)
        self._leg_start_s = time_s
        self._integral = 0.0

    def _follow_plan(self, time_s: float, v: float) -> None:
        kind, seconds, pedal, until_kmh = self.leg
        spent = time_s - self._leg_start_s
        goal = until_kmh / 3.6
        self.park = kind == "park"
        if kind in ("launch", "pull"):
            self._want_brake = 0.0
            near = (goal - v) / (0.08 * goal + 0.5)
            self._want_pedal = pedal if near > 1.0 else max(0.3, near) * pedal
            if spent > 3.0 and v < 0.8 * goal:  # a foot that sees the car not gain goes down further
                self._want_pedal = min(1.0, self._want_pedal * (1.0 + 0.06 * (spent - 3.0)))
            done = v >= 0.97 * goal or spent > seconds
        elif kind == "cruise":
            self._hold(v, goal)
            done = spent > seconds
        elif kind == "coast":
            self._want_pedal = self._want_brake = 0.0
            done = spent > seconds or v < goal
        elif kind == "slow":
            self._want_pedal = 0.0
            self._want_brake = pedal if v > goal + 1.0 or goal > 0.0 else max(0.7, pedal * 0.6)
            if spent < 0.6 and self.truth.hurry < 0.5:
                self._want_brake = 0.0
            elif goal == 0.0 and v < 2.5:  # the foot goes on until the car stands, against the creep
                self._want_brake = 1.2 + 0.3 * spent / 3.0
            done = (v <= goal + 0.05 and goal > 0.0) or (goal == 0.0 and v < 0.02) or spent > seconds
        elif kind == "tap":
            self._want_pedal = 0.0
            self._want_brake = 0.35 if spent > 0.15 else 0.0
            done = spent > seconds
        elif kind == "creep":
            self._want_pedal, self._want_brake = 0.0, 0.0
            done = spent > seconds
        else:
            self._want_pedal, self._want_brake = 0.0, 2.5 if v < 0.02 else 3.0 + 0.5 * spent
            done = spent > seconds and (kind == "park" or v < 0.02)
        if done:
            self._next(time_s)

    def _hold(self, v: float, goal: float) -> None:
        """Keep a speed: feel for the load, a slow correction, the brake only if well over."""
        error = goal - v
        self._integral = min(max(self._integral + error * self.PERIOD_S, -12.0), 12.0)
        force = self._rolling + self._drag * v * v + self._mass * (0.35 * error + 0.05 * self._integral)
        self._want_brake = 0.0
        if error < -2.5:
            self._want_brake = min(2.0, 0.25 * -error)
        power_share = force * max(v, 3.0) / (self._full_force * max(v, 8.0))
        self._want_pedal = min(1.0, max(0.0, power_share))

    def _follow_trace(self, time_s: float, v: float) -> None:
        trace = self.truth.trace
        ahead = _trace_m_s(trace, time_s + 1.0)
        now = _trace_m_s(trace, time_s + 0.3)
        error = now - v
        self.park = False
        if now < 0.3 and ahead < 0.3:
            self._want_pedal, self._want_brake = 0.0, 2.0 if v < 1.0 else 1.5
            self._integral = 0.0
            return
        accel = (ahead - now) / 0.7
        self._integral = min(max(self._integral + error * self.PERIOD_S, -3.0), 8.0)
        force = self._rolling + self._drag * v * v + self._mass * (accel + 2.2 * error + 0.8 * self._integral)
        if force > -0.12 * self._mass:
            self._want_brake = 0.0
            self._want_pedal = min(1.0, max(0.0, force * max(v, 3.0) / (self._full_force * max(v, 8.0))))
        else:
            self._want_pedal = 0.0
            self._want_brake = min(5.0, -force / self._mass)


def _trace_m_s(trace: tuple[tuple[float, float], ...], time_s: float) -> float:
    """Piecewise-linear speed of a trace given at even times [m/s]; the trace repeats."""
    step = trace[1][0] - trace[0][0]
    x = (time_s % (step * (len(trace) - 1))) / step
    i = int(x)
    return (trace[i][1] + (x - i) * (trace[i + 1][1] - trace[i][1])) / 3.6
