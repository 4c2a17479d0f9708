"""Converters as measured tables over speed ratio: sound, without reaction, or seized."""

from __future__ import annotations

import csv
from bisect import bisect_right
from collections.abc import Sequence
from math import pi, sin, sqrt
from pathlib import Path
from random import Random
from typing import NamedTuple

VECTORS = Path(__file__).resolve().parents[2] / "vectors"
STEPS = 200  # of the speed-ratio grid, 0 .. 1
Row = tuple[float, float, float]  # speed ratio, K over K at stall, torque ratio

# Pump torque at a given pump speed over its value at stall, turbine faster than pump: JRC co2mpas 4.3.7
# defaults.py, default normalised torque curve (EUPL).
OVERRUN = (
    (1.0, 0.0),
    (1.1, -0.099),
    (1.222, -0.198),
    (1.375, -0.336),
    (1.571, -0.535),
    (2.2, -1.306),
    (5.0, -10.48),
)


class Shape(NamedTuple):
    """A converter without its size."""

    name: str
    coupling: float
    rows: tuple[Row, ...]


class Table(NamedTuple):
    """Pump torque / pump speed^2 [N m s^2/rad^2] and torque ratio on the grid of STEPS."""

    capacity: list[float]
    ratio: list[float]
    overrun: float  # scale of OVERRUN


def line(points: Sequence[tuple[float, float]], x: float) -> float:
    """Piecewise-linear look-up, held constant outside."""
    i = bisect_right(points, x, key=lambda point: point[0])
    if i == 0:
        return points[0][1]
    if i == len(points):
        return points[-1][1]
    (x0, y0), (x1, y1) = points[i - 1], points[i]
    return y0 + (x - x0) / (x1 - x0) * (y1 - y0)


def published() -> list[Shape]:
    """The published tables of tests/vectors (their citations are in that file)."""
    with (VECTORS / "published_converters.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(text for text in lines if not text.startswith("#")))
    shapes = []
    for name in dict.fromkeys(row["name"] for row in rows):
        own = [row for row in rows if row["name"] == name]
        k0 = float(own[0]["k"])
        table = tuple(
            (float(row["speed_ratio"]), float(row["k"]) / k0, float(row["torque_ratio"])) for row in own
        )
        shapes.append(Shape(name, float(own[0]["coupling"]), table))
    return shapes


def perturbed(shape: Shape, rng: Random) -> Shape:
    """Another converter of the same family: stall ratio, coupling, steepness and a bump of K are drawn."""
    stall_ratio = rng.uniform(1.65, 2.45)
    coupling = rng.uniform(0.81, 0.92)
    power = rng.uniform(0.75, 1.3)
    bump = rng.uniform(-0.06, 0.02)  # K may fall before it rises
    stretch = (stall_ratio - 1.0) / (shape.rows[0][2] - 1.0)
    rows = []
    for sr, k, tr in shape.rows:
        if sr <= shape.coupling:
            new = sr * coupling / shape.coupling
        else:
            new = coupling + (sr - shape.coupling) * (1.0 - coupling) / (1.0 - shape.coupling)
        rise = bump * sin(pi * new / 0.5) if new < 0.5 else 0.0
        rows.append((new, k**power * (1.0 + rise), 1.0 + (tr - 1.0) * stretch if tr > 1.0 else tr))
    return Shape(shape.name + "*", coupling, tuple(rows))


def table(shape: Shape, k0: float, state: str, rng: Random) -> Table:
    """The shape at K(0) = `k0` rpm/sqrt(N m), in state "working", "lost" or "seized" (severity drawn)."""
    pump = [(sr, 1.0 / k**2) for sr, k, _ in shape.rows]
    pump.append((1.0, 0.0))
    torque_ratio = [(sr, tr) for sr, _, tr in shape.rows]
    low, seized_ratio, seized_from = rng.uniform(0.62, 0.88), rng.uniform(0.75, 0.85), rng.uniform(0.95, 1.0)
    scale = (30.0 / pi / k0) ** 2
    capacity, ratio = [], []
    floor = rng.uniform(0.08, 0.15)  # a held stator keeps loading the pump near equal speeds
    for i in range(STEPS + 1):
        sr = i / STEPS
        c, tr = line(pump, sr), line(torque_ratio, sr)
        if state == "lost":
            tr = 1.0
            c /= min(1.0, low + (1.0 - low) * sr / shape.coupling) ** 2
        elif state == "seized" and sr > shape.coupling:
            tr = line(((shape.coupling, 1.0), (seized_from, seized_ratio)), sr)
            share = min(1.0, (sr - shape.coupling) / (seized_from - shape.coupling))
            c = max(c / sqrt(tr), floor * share)
        capacity.append(c * scale)
        ratio.append(tr)
    return Table(capacity, ratio, scale)
