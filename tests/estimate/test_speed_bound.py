"""Road speed against the best there is: the posterior mean of a particle filter that knows the driver.

The bootstrap particle filter (Gordon, Salmond & Smith, IEE Proc. F 140 (1993) 107) is told the law by which
acceleration wanders and keeps the whole shape of what is known, edges and all. No estimate from the same
readings has a smaller mean square error. Ours is told nothing and keeps two Gaussians.
"""

from __future__ import annotations

from collections import deque
from math import exp, sqrt

import numpy as np
import pytest

from livemon.estimate.road_speed import RoadSpeed

STEP_S = 0.125
LOOK_AHEAD = 6  # readings: what an estimate may wait for
PARTICLES = 1000


def drive(rng: np.random.Generator, readings: int, accel_sd: float, memory_s: float) -> np.ndarray:
    """True road speed [km/h] at each reading: acceleration an Ornstein-Uhlenbeck process [km/h/s]."""
    keeps = exp(-STEP_S / memory_s)
    accel, speed, out = accel_sd * rng.standard_normal(), 70.3, []
    for _ in range(readings):
        accel = keeps * accel + accel_sd * sqrt(1.0 - keeps * keeps) * rng.standard_normal()
        speed += accel * STEP_S
        out.append(speed)
    return np.array(out)


def best(rng: np.random.Generator, read: np.ndarray, accel_sd: float, memory_s: float) -> np.ndarray:
    """Posterior mean of road speed at each reading, given all up to LOOK_AHEAD readings later."""
    keeps = exp(-STEP_S / memory_s)
    x = read[0] + rng.random(PARTICLES)
    rate = accel_sd * rng.standard_normal(PARTICLES)
    past: deque[np.ndarray] = deque()
    out = []
    for i, z in enumerate(read):
        if i:
            rate = keeps * rate + accel_sd * sqrt(1.0 - keeps * keeps) * rng.standard_normal(PARTICLES)
            x = x + rate * STEP_S
        fits = np.flatnonzero((x >= z) & (x < z + 1.0))
        if len(fits) < PARTICLES:
            if not len(fits):
                x = z + rng.random(PARTICLES)
            else:
                chosen = rng.choice(fits, PARTICLES)
                x, rate = x[chosen], rate[chosen]
                past = deque(earlier[chosen] for earlier in past)
        past.append(x)
        if len(past) > LOOK_AHEAD:
            out.append(past.popleft().mean())
    return np.array(out + [earlier.mean() for earlier in past])


def ours(read: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(road speed, sd) at each reading, with the same look-ahead."""
    road, out = RoadSpeed(), []
    for i, z in enumerate(read):
        road.add(STEP_S * i, float(z), 1.0)
        if i >= LOOK_AHEAD:
            road.track.smooth(STEP_S * (i - LOOK_AHEAD) - 0.2)
            out.append(road.at(STEP_S * (i - LOOK_AHEAD), 0.0))
    out += [road.at(STEP_S * i, 0.0) for i in range(len(read) - LOOK_AHEAD, len(read))]
    return np.array([s[0] for s in out if s]), np.sqrt([s[2] for s in out if s])


@pytest.mark.parametrize(
    ("accel_sd", "memory_s"), [(0.15, 9.0), (0.2, 4.0), (0.4, 3.2), (1.0, 4.0)]
)  # cruise control, a steady foot, traffic, busy traffic
def test_close_to_the_least_error_possible(accel_sd: float, memory_s: float) -> None:
    rng = np.random.default_rng(5)
    errors, least, sds = [], [], []
    for _ in range(4):
        true = drive(rng, 500, accel_sd, memory_s)
        read = np.floor(true)
        estimate, sd = ours(read)
        errors.append(estimate - true)
        sds.append(sd)
        least.append(best(rng, read, accel_sd, memory_s) - true)
    error, bound = np.concatenate(errors), np.concatenate(least)
    ratio = float(np.sqrt((error**2).mean() / (bound**2).mean()))
    inside = float((abs(error) < 2.0 * np.concatenate(sds)).mean())
    assert ratio < 1.3, ratio
    assert inside > 0.85, inside
