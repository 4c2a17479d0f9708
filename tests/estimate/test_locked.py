"""Calibration on locked stretches: tyre, delay, rounding; and the learned vehicle file."""

from __future__ import annotations

import random
from math import floor, sin
from pathlib import Path

import numpy as np
import pytest

from livemon.estimate.locked import DELAY_S, Locked
from livemon.obd.decode import Decoder
from livemon.sources.recording import open_recording

CLUTCH_CAR = Path(__file__).parents[3] / "shared" / "data" / "recordings" / "clutch_car_obd.log"

K = {3: 54.0, 4: 39.0, 5: 30.0}


def locked_drive(
    scale: float, delay: float, rounded: bool, slip: float, seed: int, rpm_per_kmh_s: float = 0.0
) -> Locked:
    """Stretches of changing speed in three gears; road speed in whole km/h, every 0.12 s; slip grows with
    acceleration by rpm_per_kmh_s."""
    rng = random.Random(seed)
    calibration = Locked(0.015, 15.0, 25.0)
    t = 0.0
    for stretch in range(12):
        k = K[rng.choice(list(K))]
        low, high, rate = rng.uniform(35.0, 60.0), rng.uniform(70.0, 110.0), rng.uniform(0.15, 0.5)
        start, phase = t, rng.uniform(0.0, 6.0)

        def speed(s: float, start: float = start, low: float = low, high: float = high, rate: float = rate,
                  phase: float = phase) -> float:  # fmt: skip
            return 0.5 * (low + high) + 0.5 * (high - low) * sin(rate * (s - start) + phase)

        while t < start + 18.0:
            z = float(floor(speed(t - delay) + (0.5 if rounded else 0.0)))

            def engine(s: float) -> float:
                accel = (speed(s + 0.05) - speed(s - 0.05)) / 0.1
                return k * scale * speed(s) + slip + rpm_per_kmh_s * accel  # noqa: B023

            d = t - calibration.delay_s
            state = (engine(d), (engine(d + 0.05) - engine(d - 0.05)) / 0.1, 1.0)
            if calibration.wants(t, z):
                calibration.look(t, z, 1.0, k, state)
            t += rng.uniform(0.1, 0.14)
        t += 4.0 + stretch
    return calibration


@pytest.mark.parametrize("scale", [0.985, 1.0, 1.012])
@pytest.mark.parametrize("delay", [0.05, 0.14, 0.2])
@pytest.mark.parametrize("rounded", [False, True])
def test_a_tight_clutch_gives_tyre_delay_and_rounding(scale: float, delay: float, rounded: bool) -> None:
    c = locked_drive(scale, delay, rounded, slip=0.0, seed=1)
    assert c.scale == pytest.approx(scale, abs=0.003)
    assert c.delay_s == pytest.approx(delay, abs=0.02)
    assert (c.offset_kmh > 0.4) == rounded  # half a reading where rounded, else none
    assert c.slip(1e9)[0] == pytest.approx(0.0, abs=15.0)


@pytest.mark.parametrize("rpm_per_kmh_s", [-2.0, 0.0, 3.0])
def test_slip_that_goes_with_torque_is_not_taken_for_delay(rpm_per_kmh_s: float) -> None:
    """3 rpm for each km/h/s in a gear of 39 rpm per km/h look like 77 ms."""
    c = locked_drive(1.0, 0.1, rounded=False, slip=30.0, seed=3, rpm_per_kmh_s=rpm_per_kmh_s)
    assert abs(c.delay_s - 0.1) < 2.0 * c.delay_sd_s
    assert c.delay_sd_s > 0.02


def test_controlled_slip_is_not_taken_for_a_worn_tyre() -> None:
    c = locked_drive(1.0, 0.1, rounded=False, slip=45.0, seed=2)
    assert abs(c.scale - 1.0) < 3.0 * max(c.scale_sd, 0.003)


@pytest.mark.parametrize("seed", range(8))
def test_a_clutch_that_slips_in_top_gear_only_does_not_carry_the_tyre_away(seed: int) -> None:
    """Closed tight below, let slip by 35 rpm in top gear, both at much the same engine speed: neither one
    slip nor none fits, and a slip of less than nothing must not be what does."""
    rng = random.Random(seed)
    c, t = Locked(0.015, 15.0, 25.0), 0.0
    for stretch in range(30):
        k, slips, middle = (30.0, 35.0, 95.0) if stretch % 3 == 2 else (39.0, 0.0, 70.0)
        middle += rng.uniform(-8.0, 8.0)
        start, phase, tyre = t, rng.uniform(0.0, 6.0), rng.gauss(1.0, 0.0015)

        def speed(s: float, middle: float = middle, start: float = start, phase: float = phase) -> float:
            return middle + 4.0 * sin(0.3 * (s - start) + phase)

        def engine(s: float, k: float = k, slips: float = slips) -> float:
            return k * speed(s) + slips

        while t < start + 12.0:
            z, d = float(floor(speed(t - 0.1) * tyre)), t - c.delay_s
            if c.wants(t, z):
                c.look(t, z, 1.0, k, (engine(d), (engine(d + 0.05) - engine(d - 0.05)) / 0.1, 1.0))
            t += rng.uniform(0.1, 0.14)
        t += 20.0
    assert abs(c.scale - 1.0) < min(0.018, 3.0 * c.scale_sd)


@pytest.mark.parametrize("slip", [-40.0, -80.0])
def test_a_turbine_that_runs_ahead_for_minutes_is_survived(slip: float) -> None:
    """Overrun with the clutch closed, or a wrong file: no kind of clutch explains it, none must have to."""
    rng = random.Random(2)
    c = Locked(0.003, 0.0, 8.0)
    for i in range(20000):
        t, v = 0.12 * i, rng.uniform(20.0, 150.0)
        c.look(t, float(floor(v)), 1.0, 39.0, (39.0 * v + slip, 0.0, 1.0))
    assert abs(c.scale - 1.0) < 0.05 and c.slip(2400.0)[0] < 0.0


def test_a_calibration_that_stops_fitting_is_dropped() -> None:
    c = locked_drive(1.0, 0.1, rounded=False, slip=0.0, seed=3)
    assert c.dropped == 0
    t = 1000.0
    for i in range(60):
        c.look(t, 60.0 + i % 3, 1.0, 39.0, (39.0 * 80.0, 0.0, 1.0))
        t += 0.1
    assert c.dropped > 0
    assert c.scale_sd > 0.004


@pytest.mark.parametrize("accel_kmh_s", [2.0, -2.0])
@pytest.mark.parametrize("asked", [1.0, 0.0, -1.0])
def test_road_speeds_sd_is_that_of_the_filters_own_scale_and_delay(accel_kmh_s: float, asked: float) -> None:
    """Learnt at one rate of speed scale and delay make up for each other there, and add up at the opposite:
    against ten thousand draws of both from what the filter believes."""
    calibration, k, t = Locked(0.01, 15.0, 25.0), 30.0, 0.0
    for _ in range(4):
        for i in range(80):
            v = (60.0 if accel_kmh_s > 0.0 else 110.0) + accel_kmh_s * 0.25 * i
            z = float(floor(0.99 * (v - 0.12 * accel_kmh_s)))
            if calibration.wants(t, z):
                state = (k * (v - accel_kmh_s * calibration.delay_s), k * accel_kmh_s, 1.0)
                calibration.look(t, z, 1.0, k, state)
            t += 0.25
        t += 60.0
    weights = np.array([h.weight * h.forward for h in calibration._h])
    rng, rate = np.random.default_rng(0), asked * accel_kmh_s
    draws = np.concatenate([
        (1.0 + e) * (80.0 + rate * (d - h.x[1]) - h.offset)
        for h, share in zip(calibration._h, weights / weights.sum(), strict=True)
        for e, d in [rng.multivariate_normal(h.x[:2], np.array(h.cov)[:2, :2], int(1e4 * share) + 1).T]
    ])  # fmt: skip
    mean, variance = calibration.road(80.0, rate)
    assert mean == pytest.approx(float(draws.mean()), abs=0.03)
    assert variance**0.5 == pytest.approx(float(draws.std()), rel=0.1)


@pytest.mark.skipif(not CLUTCH_CAR.is_file(), reason="needs the shared recordings")
def test_the_delay_of_a_real_car_is_one_that_is_expected() -> None:
    """Road speed against engine speed in gear of a car with a friction clutch, polled for a quarter hour
    (KIT, doi 10.35097/1130, CC BY 4.0): the shift in time that leaves least of whole km/h."""
    decoder = Decoder()
    seen: dict[str, list[tuple[float, float]]] = {"engine_rpm": [], "vehicle_kmh": []}
    for frame in open_recording(str(CLUTCH_CAR)):
        for reading in decoder.feed(frame):
            if reading.quantity in seen:
                seen[reading.quantity].append((reading.time_s, reading.value))
    (engine_s, engine_rpm), (road_s, kmh) = (np.array(seen[q]).T for q in ("engine_rpm", "vehicle_kmh"))
    kmh = kmh + 0.5
    rpm_per_kmh = np.maximum(np.interp(road_s, engine_s, engine_rpm), 1.0) / kmh
    in_gear = np.abs(np.diff(np.log(rpm_per_kmh), prepend=0.0)) < 0.05
    delays = np.arange(-0.4, 0.81, 0.05)
    left = []
    for delay in delays:
        rpm = np.interp(road_s - delay, engine_s, engine_rpm)
        off = []
        for part in np.split(np.arange(len(kmh)), np.flatnonzero(~in_gear)):
            part = part[1:]
            if len(part) >= 8 and kmh[part].min() > 12.0 and kmh[part].std() > 3.0:
                gear = float(rpm[part] @ kmh[part] / (rpm[part] @ rpm[part]))
                off.extend(np.minimum(np.abs(kmh[part] - gear * rpm[part]), 2.0))
        assert len(off) > 100
        left.append(float(np.mean(np.square(off))))
    found = float(delays[int(np.argmin(left))])
    mean, sd = DELAY_S
    assert abs(found - mean) < sd, found
