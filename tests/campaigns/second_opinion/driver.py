"""Drivers: stop-and-go traffic, a published urban schedule, and a workshop road test."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import NamedTuple

from .tables import VECTORS, line

Points = list[tuple[float, float]]  # time [s], speed [m/s]
KMH = 1.0 / 3.6
PEDALS = (0.4, 0.7, 1.0)  # of the launches of a road test


class Seen(NamedTuple):
    """What a driver feels of the vehicle."""

    time_s: float
    speed_m_s: float
    mass_kg: float
    resistance_n: float
    full_force_n: float  # at the wheels, full pedal, present gear


Step = Callable[[Seen, float], tuple[float, float] | None]  # pedal and brake, or None when done


class Follow:
    """Follows a speed over time as people do: a little ahead, a little late, never quite still."""

    def __init__(self, targets: Points, rng: Random) -> None:
        self.targets, self.rng = targets, rng
        self.pedal = 0.0
        self._sum = 0.0
        self._wander = 0.0
        self._gain = rng.uniform(0.35, 0.8)
        self._restless = rng.uniform(0.0, 0.03)

    def __call__(self, seen: Seen, dt: float) -> tuple[float, float]:
        """Pedal 0..1 and brake force [N]."""
        ahead = line(self.targets, seen.time_s + 0.8)
        now = line(self.targets, seen.time_s)
        return self.reach(now, (ahead - now) / 0.8, ahead, seen, dt)

    def reach(
        self, now: float, rate: float, ahead: float, seen: Seen, dt: float, gain: float | None = None
    ) -> tuple[float, float]:
        """Pedal and brake to be at `now` m/s and change by `rate` m/s^2."""
        error = now - seen.speed_m_s
        gain = gain or (self._gain if abs(rate) > 0.2 or abs(error) > 2.0 else 0.4 * self._gain)
        if ahead < 0.3 and now < 1.0:
            self._release(dt)
            return self.pedal, min(0.25 * seen.mass_kg * (1.5 + 4.0 * max(0.0, -rate)), 6.0 * seen.mass_kg)
        force = seen.mass_kg * (rate + gain * error) + seen.resistance_n
        self._wander += -0.5 * self._wander * dt + self.rng.gauss(0.0, self._restless) * dt**0.5
        if force < -0.4 * seen.mass_kg:
            self._release(dt)
            return self.pedal, -force
        self._sum = min(0.3, max(-0.1, self._sum + 0.012 * error * dt))
        wanted = min(1.0, max(0.0, force / seen.full_force_n + self._sum + self._wander))
        self.pedal += min(1.5 * dt, max(-2.5 * dt, (wanted - self.pedal) * dt / 0.35))
        return self.pedal, 0.0

    def press(self, pedal: float, dt: float) -> None:
        """Move the foot towards a pedal position."""
        self.pedal += min(3.0 * dt, max(-4.0 * dt, pedal - self.pedal))

    def _release(self, dt: float) -> None:
        self.pedal = max(0.0, self.pedal - 4.0 * dt)
        self._sum = 0.0


def stop_and_go(seconds: float, rng: Random) -> Points:
    """Random targets between stops; some drives leave town."""
    points: Points = [(0.0, 0.0), (rng.uniform(4.0, 12.0), 0.0)]
    country = rng.random() < 0.5
    while points[-1][0] < seconds:
        time_s, _ = points[-1]
        hurry = rng.uniform(0.5, 2.6)
        speed = 0.0
        for _ in range(rng.randint(1, 3)):
            target = (rng.uniform(25.0, 115.0) if country else rng.uniform(15.0, 65.0)) * KMH
            time_s += abs(target - speed) / (hurry if target > speed else rng.uniform(0.6, 1.8)) + 0.5
            points.append((time_s, target))
            time_s += rng.uniform(3.0, 35.0)
            points.append((time_s, target))
            speed = target
        time_s += speed / rng.uniform(0.9, 2.6)
        points.append((time_s, 0.0))
        time_s += rng.uniform(1.0, 12.0)
        points.append((time_s, 0.0))
    return points


def urban_schedule(seconds: float, rng: Random) -> Points:
    """A stretch of the US urban schedule that begins at a standstill."""
    text = (VECTORS / "udds.csv").read_text(encoding="utf-8")
    rows = (row for row in text.splitlines() if not row.startswith("#"))
    speeds = [float(mph) * 0.44704 for row in rows for mph in row.split(",")]
    starts = [i for i in range(len(speeds) - int(seconds)) if speeds[i : i + 3] == [0.0] * 3] or [0]
    first = rng.choice(starts)
    return [(float(i), speed) for i, speed in enumerate(speeds[first : first + int(seconds) + 2])]


class RoadTest(Follow):
    """Idle, launches at 40, 70 and 100 % pedal, pull, two locked cruises, brake taps, coast-down."""

    def __init__(self, rng: Random) -> None:
        super().__init__([(0.0, 0.0)], rng)
        slow, fast = rng.uniform(65.0, 80.0) * KMH, rng.uniform(88.0, 110.0) * KMH
        launches = [(pedal * rng.uniform(0.93, 1.0), rng.uniform(50.0, 85.0) * KMH) for pedal in PEDALS]
        rng.shuffle(launches)
        self._steps: list[Step] = [self._stand(rng.uniform(6.0, 15.0))]
        for pedal, speed in launches:
            self._steps += [self._push(pedal, speed), self._stop(), self._stand(rng.uniform(3.0, 8.0))]
        self._steps += [self._push(0.35, slow), self._cruise(slow, 40.0, 0.0)]
        self._steps += [self._push(rng.uniform(0.5, 0.8), fast), self._cruise(fast, 45.0, 0.0)]
        self._steps += [self._cruise(fast, 12.0, 4.0), self._coast(45.0 * KMH), self._cruise(slow, 25.0, 0.0)]
        self._steps += [self._stop(), self._stand(1e9)]
        self._since = 0.0

    def __call__(self, seen: Seen, dt: float) -> tuple[float, float]:
        done = self._steps[0](seen, dt)
        if done is None:
            self._steps.pop(0)
            self._since = seen.time_s
            return self.pedal, 0.0
        return done

    def _stand(self, seconds: float) -> Step:
        def step(seen: Seen, dt: float) -> tuple[float, float] | None:
            self.press(0.0, dt)
            return None if seen.time_s - self._since > seconds else (self.pedal, 2.5 * seen.mass_kg)

        return step

    def _push(self, pedal: float, speed: float) -> Step:
        def step(seen: Seen, dt: float) -> tuple[float, float] | None:
            since = seen.time_s - self._since
            more = 0.15 * max(0.0, since - 2.5) if seen.speed_m_s < 2.0 else 0.0  # nobody waits on a hill
            self.press(min(1.0, pedal + more), dt)
            return None if seen.speed_m_s > speed or since > 40.0 else (self.pedal, 0.0)

        return step

    def _stop(self) -> Step:
        rate = self.rng.uniform(1.2, 2.6)

        def step(seen: Seen, dt: float) -> tuple[float, float] | None:
            self.press(0.0, dt)
            return None if seen.speed_m_s < 0.02 else (self.pedal, rate * seen.mass_kg)

        return step

    def _cruise(self, speed: float, seconds: float, tap_every_s: float) -> Step:
        """Hold a speed while the pedal is moved up and down; with brake taps every so often."""
        period, depth = self.rng.uniform(6.0, 14.0), self.rng.uniform(0.0, 0.35)

        def step(seen: Seen, dt: float) -> tuple[float, float] | None:
            since = seen.time_s - self._since
            if since > seconds:
                return None
            if tap_every_s and since % tap_every_s > tap_every_s - 0.6:
                self.press(0.1, dt)
                return self.pedal, 0.15 * seen.mass_kg
            push = depth if since % period < 0.5 * period else -depth
            return self.reach(speed, push, speed, seen, dt, gain=0.12)

        return step

    def _coast(self, speed: float) -> Step:
        def step(seen: Seen, dt: float) -> tuple[float, float] | None:
            self.press(0.0, dt)
            late = seen.time_s - self._since > 40.0
            return None if seen.speed_m_s < speed or late else (self.pedal, 0.0)

        return step


def draw(name: str, seconds: float, rng: Random) -> Follow:
    """The named driver: "traffic", "urban" or "road_test"."""
    if name == "road_test":
        return RoadTest(rng)
    return Follow((urban_schedule if name == "urban" else stop_and_go)(seconds, rng), rng)
