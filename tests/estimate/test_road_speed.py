"""Road speed from whole km/h, on the US urban schedule (40 CFR 86 Appendix I, in vectors/udds.csv)."""

from __future__ import annotations

import csv
import random
from bisect import bisect_right
from math import floor, sqrt
from pathlib import Path

import pytest

from livemon.estimate.road_speed import RoadSpeed

UDDS = Path(__file__).parents[1] / "vectors" / "udds.csv"


def schedule() -> list[tuple[float, float]]:
    """(s, km/h), one value a second."""
    with UDDS.open(encoding="utf-8") as file:
        rows = csv.reader(line for line in file if not line.startswith("#"))
        return [(float(i), float(x) * 1.609344) for i, x in enumerate(x for row in rows for x in row if x)]


def at(points: list[tuple[float, float]], t: float) -> float:
    i = min(max(bisect_right(points, (t, 1e9)) - 1, 0), len(points) - 2)
    (t0, v0), (t1, v1) = points[i], points[i + 1]
    return v0 + (v1 - v0) * (t - t0) / (t1 - t0)


def test_speed_on_the_urban_schedule() -> None:
    points, rng = schedule(), random.Random(2)
    road = RoadSpeed()
    t, asked, raw = points[0][0], [], []
    while t < min(600.0, points[-1][0]):
        z = float(floor(at(points, t)))
        road.add(t, z, 1.0)
        asked.append(t)
        raw.append(z)
        t += rng.uniform(0.08, 0.16)
    road.track.smooth(-1.0)
    errors, raw_errors, inside = [], [], 0
    for t, z in zip(asked, raw, strict=True):
        v = at(points, t)
        state = road.at(t, 0.0)
        if v < 3.0 or state is None:
            continue
        errors.append(state[0] - v)
        raw_errors.append(z - v)
        inside += abs(errors[-1]) < 2.0 * sqrt(state[2])
    rms = sqrt(sum(e * e for e in errors) / len(errors))
    raw_rms = sqrt(sum(e * e for e in raw_errors) / len(raw_errors))
    assert rms < 0.35 * raw_rms
    assert rms < 0.2  # km/h
    assert inside / len(errors) > 0.88


def test_repeated_readings_do_not_pretend_to_know_more() -> None:
    """A run of equal readings leaves the uniform spread of one reading: 0.29 km/h, not less with each."""
    road = RoadSpeed()
    for i in range(200):
        road.add(0.1 * i, 50.0, 1.0)
    road.track.smooth(-1.0)
    state = road.at(10.0, 0.0)
    assert state is not None
    assert 50.0 < state[0] < 51.0
    assert 0.15 < sqrt(state[2]) < 0.4


@pytest.mark.parametrize("jump", [90.0, 3.0])
def test_a_jump_is_survived(jump: float) -> None:
    road = RoadSpeed()
    for i in range(100):
        road.add(0.1 * i, 50.0 if i < 50 else jump, 1.0)
    road.track.smooth(-1.0)
    state = road.at(9.5, 0.0)
    assert state is not None and abs(state[0] - jump - 0.5) < 0.6
