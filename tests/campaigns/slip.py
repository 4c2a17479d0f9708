"""How true slip and its error bar are, on drives drawn anew, each fault and none in turn.

    nice python tests/campaigns/slip.py [--drives 52] [--seconds 240] [--first 1000] [--any-poll]

Polls of 12 to 40 readings a second; --any-poll draws the poll as well, down to 3 a second. "Raw" is the usual
way: the last km/h times the true gear's ratio with the tyre of the vehicle file.

The information bound is the posterior Cramer-Rao bound (Tichavsky, Muravchik & Nehorai, IEEE Trans. Signal
Process. 46 (1998) 1386) of turbine speed from whole km/h, for somebody who is told gear and clutch. It has
two parts: road speed on a nearly constant acceleration, and what tyre and gauge may be off by, of which each
second of closed clutch tells something as far as its unknown slip lets it. It cannot be reached: what whole
km/h allow at best is in tests/estimate/test_speed_bound.py.
"""

from __future__ import annotations

import argparse
import random
from collections import defaultdict
from collections.abc import Iterator
from math import sqrt
from statistics import median
from typing import NamedTuple

import numpy as np

from livemon.estimate import Estimator
from livemon.estimate.pace import STEADY
from livemon.estimate.ratios import rpm_per_kmh
from livemon.obd.decode import Decoder
from livemon.records import Estimate
from livemon.simulate.fast import drive
from livemon.simulate.scenario import FAULTS, draw
from livemon.vehicle_file import parse

STEADY_KMH_S = 0.4


class Row(NamedTuple):
    fault: str
    regime: str
    gear: int | None
    true_gear: int
    locked: float
    clutch: str
    error: float
    sd: float
    raw: float
    steady: bool
    turbine: float
    bound: float  # of road speed alone
    told: tuple[float, float, float]  # information on (ln scale, slip) so far: (1,1), (1,2), (2,2)


SURE_RPM = 60.0  # sd of a row in which no other gear is thought of
SLIP_SD_RPM, CLOSED_KMH = 25.0, 0.2  # of a closed clutch before it is seen; road speed, second by second


def scale_bound(told: tuple[float, float, float], prior_sd: float) -> float:
    """Smallest sd of ln scale, given what closed stretches told and how far it is off among vehicles."""
    one, both, slip = told
    slip += 1.0 / SLIP_SD_RPM**2
    return 1.0 / sqrt(1.0 / prior_sd**2 + one - both * both / slip)


def bound_kmh(step_s: float, noise_kmh: float = 0.05) -> float:
    """Smallest sd of smoothed road speed [km/h] from readings of 1 km/h every step_s on a calm road.

    A reading's information on x is averaged over where x lies within its interval: with the edges softened by
    `noise_kmh`, Fisher's integral of (dP/dx)^2 / P over the unit interval. Forward and backward filters of
    the (x, rate) model in their steady state are put together.
    """
    x = np.linspace(-0.5, 0.5, 4001)
    from math import erf

    edge = np.array([0.5 * (1.0 + erf(v / (noise_kmh * sqrt(2.0)))) for v in x])
    slope = np.gradient(edge, x)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where((edge > 1e-12) & (edge < 1.0 - 1e-12), slope**2 / (edge * (1.0 - edge)), 0.0)
    information = float(np.trapezoid(terms, x))
    f = np.array([[1.0, step_s], [0.0, 1.0]])
    q = STEADY * np.array([[step_s**3 / 3.0, step_s**2 / 2.0], [step_s**2 / 2.0, step_s]])
    ahead = np.diag([1.0 / 12.0, 4.0])
    for _ in range(400):
        predicted = f @ ahead @ f.T + q
        update = np.linalg.inv(predicted)
        update[0, 0] += information
        ahead = np.linalg.inv(update)
    mirror = np.diag([1.0, -1.0])
    back = mirror @ (f @ ahead @ f.T + q) @ mirror
    return sqrt(np.linalg.inv(np.linalg.inv(ahead) + np.linalg.inv(back))[0, 0])


def rows_of(seed: int, seconds: float, any_poll: bool) -> Iterator[Row]:
    fault = FAULTS[seed % len(FAULTS)]
    rng = random.Random(f"{seed}:campaign")
    if any_poll:
        scenario = draw(fault, seed, seconds)
    else:
        order = rng.choice(("smart", "weighted"))
        scenario = draw(fault, seed, seconds, readings_per_s=rng.uniform(12.0, 40.0), order=order)
    vehicle = parse(scenario.vehicle_file_text(), f"drawn vehicle {seed}")
    nominal, _ = rpm_per_kmh(vehicle)
    if not nominal:
        return
    moving, decoder, estimator = drive(scenario, keep_truth=True), Decoder(), Estimator(vehicle)
    raw: dict[float, float] = {}
    last, speeds, out = None, [], []
    for frame in moving:
        for reading in decoder.feed(frame):
            if reading.quantity == "vehicle_kmh":
                last = reading.value
                speeds.append(reading.time_s)
            elif reading.quantity == "engine_rpm" and last is not None:
                gear = moving.truth_at(reading.time_s).gear
                raw[reading.time_s] = reading.value - (last * nominal[gear - 1] if gear else 0.0)
            out += [e for e in estimator.feed(reading) if isinstance(e, Estimate)]
    out += [e for e in estimator.end() if isinstance(e, Estimate)]
    step_s = (speeds[-1] - speeds[0]) / max(1, len(speeds) - 1) if len(speeds) > 1 else 9.0
    bound = bound_kmh(step_s)
    told, told_s = (0.0, 0.0, 0.0), -1e9
    for e in out:
        truth = moving.truth_at(e.time_s)
        if e.slip_rpm is None or e.time_s not in raw:
            continue
        if truth.clutch in ("locked", "slipping") and not truth.shifting and e.time_s > told_s + 1.0:
            told_s, weight = e.time_s, (CLOSED_KMH * nominal[truth.gear - 1]) ** -2
            turbine = truth.turbine_rpm
            told = (told[0] + weight * turbine**2, told[1] + weight * turbine, told[2] + weight)
        slip = truth.engine_rpm - truth.turbine_rpm
        closed = truth.clutch in ("locked", "slipping")
        clutch = "shift" if truth.shifting else "locked" if closed else truth.clutch
        yield Row(
            fault, e.named_regime, e.gear, truth.gear, e.on_probability, clutch, e.slip_rpm - slip,
            e.slip_sd_rpm,
            raw[e.time_s] - slip, abs(truth.accel_m_s2) * 3.6 < STEADY_KMH_S and truth.road_kmh > 15.0,
            truth.turbine_rpm, bound * nominal[max(truth.gear, 1) - 1], told,
        )  # fmt: skip


def rms(values: list[float]) -> float:
    return sqrt(sum(v * v for v in values) / max(len(values), 1))


def line(name: str, rows: list[Row]) -> str:
    ours, raw = [r.error for r in rows], [r.raw for r in rows]
    inside = sum(abs(r.error) < 2.0 * r.sd for r in rows) / len(rows)
    return (
        f"| {name} | {len(rows)} | {median(map(abs, ours)):.1f} | {median(map(abs, raw)):.1f} | "
        f"{rms(ours):.0f} | {rms(raw):.0f} | {rms(ours) / rms(raw):.2f} | {inside:.3f} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drives", type=int, default=52)
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--any-poll", action="store_true")
    args = parser.parse_args()
    rows: list[Row] = []
    scales: list[float] = []  # how far tyre, gauge and rounding are off, drive by drive
    for seed in range(args.first, args.first + args.drives):
        drive_rows = list(rows_of(seed, args.seconds, args.any_poll))
        rows += drive_rows
        if calm := [r for r in drive_rows if r.steady and r.true_gear > 0 and r.clutch != "shift"]:
            scales.append(median(r.raw / r.turbine for r in calm))
    by: defaultdict[str, list[Row]] = defaultdict(list)
    for r in rows:
        by[r.regime].append(r)
    say = print
    say("| regime | rows | median rpm | raw | rms rpm | raw | rms ratio | inside 2 sd |")
    say("|---|---|---|---|---|---|---|---|")
    for regime in sorted(by):
        say(line(regime, by[regime]))
    say(line("all", rows))
    # a gear that slips takes the turbine off the ratio, and neither way can know
    say(line("all but slipping gears", [r for r in rows if r.fault != "gear_slip"]))
    settled = [r for r in rows if r.clutch != "shift" and r.true_gear > 0]
    say(line("all but shifts, park", settled))
    moving = [r for r in settled if r.regime not in ("stationary_in_gear", "neutral")]
    judged = [r for r in moving if r.clutch in ("open", "locked")]
    right = sum(r.gear == r.true_gear for r in moving) / len(moving)
    clutch = sum((r.locked > 0.5) == (r.clutch == "locked") for r in judged) / len(judged)
    say(f"gear right {100.0 * right:.1f} %, clutch right {100.0 * clutch:.1f} % (outside shifts)")
    steady = [
        r
        for r in moving
        if r.steady and r.gear == r.true_gear and r.clutch == "open" and r.fault != "gear_slip"
    ]
    spread = rms(scales)
    bounds = [sqrt(r.bound**2 + (r.turbine * scale_bound(r.told, spread)) ** 2) for r in steady]
    sure = [(r.error, bound) for r, bound in zip(steady, bounds, strict=True) if r.sd < SURE_RPM]
    say(
        f"steady, clutch open: rms {rms([r.error for r in steady]):.1f} rpm, "
        f"median {median(abs(r.error) for r in steady):.1f}, raw {rms([r.raw for r in steady]):.1f}; "
        f"information bound {rms(bounds):.1f} rpm, of road speed alone {rms([r.bound for r in steady]):.1f}; "
        f"tyre, gauge and rounding are {100.0 * spread:.2f} % off (rms of the drives); where its own sd is "
        f"below {SURE_RPM:.0f} rpm ({100.0 * len(sure) / max(len(steady), 1):.0f} %): rms "
        f"{rms([error for error, _ in sure]):.1f}, bound {rms([bound for _, bound in sure]):.1f}"
    )


if __name__ == "__main__":
    main()
