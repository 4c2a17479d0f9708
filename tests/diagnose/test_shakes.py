"""Shaking of unseen frequency: its size shows although the sampling folds it."""

from __future__ import annotations

import random
from math import pi, sin

import pytest

from livemon.diagnose.shakes import ShakeWatch
from livemon.records import Estimate, Regime


def watched(
    on_rpm: float,
    open_rpm: float,
    rate_hz: float = 7.0,
    seconds: float = 160.0,
    noise_rpm: float = 0.0,
    half_order: bool = False,
    torque_swing_nm: float = 0.0,
) -> ShakeWatch:
    """Standing, then a cruise with the clutch on and open in turns of 20 s, shaking by so many rpm.

    At 10.7 Hz or at half an order of engine speed; the clutch shakes nothing while the vehicle stands.
    """
    watch, rng, time_s, angle = ShakeWatch(), random.Random(3), 0.0, 0.0
    while time_s < seconds:
        step_s = rng.uniform(0.8, 1.2) / rate_hz
        time_s += step_s
        still = time_s < 20.0
        locked = not still and int(time_s / 20.0) % 2 == 0
        smooth = 700.0 if still else 1800.0 + 3.0 * time_s
        bursts = time_s % 5.0 < 2.5
        amplitude = (on_rpm if locked else open_rpm if half_order or not still else 0.0) * bursts
        angle += 2 * pi * step_s * (smooth / 120.0 if half_order else 10.7)
        rpm = round(4.0 * (smooth + rng.gauss(0.0, noise_rpm) + amplitude * sin(angle))) / 4.0
        regime: Regime = "stationary_in_gear" if still else "locked" if locked else "pull"
        ratio = 0.0 if still else 0.99 if locked else 0.75
        torque = 90.0 + torque_swing_nm * bursts * sin(5.0 * time_s)
        watch.feed(
            Estimate(
                time_s, rpm, regime, speed_ratio=ratio, gear=5 if locked else 3, gear_probability=1.0,
                engine_torque_nm=torque, pedal_pct=20.0,
            )
        )  # fmt: skip
    watch.end()
    return watch


@pytest.mark.parametrize(
    ("slip_rpm", "may_be_on", "is_on"), [(60.0, 0.3, True), (180.0, 0.3, False), (60.0, 0.01, False)]
)
def test_a_pull_past_the_coupling_point_is_no_clutch_that_is_on(
    slip_rpm: float, may_be_on: float, is_on: bool
) -> None:
    """Nor is one with little torque, which slips as little as a clutch may and follows the foot."""
    watch, rpm = ShakeWatch(), 2400.0
    for i in range(200):
        watch.feed(
            Estimate(
                0.15 * i, rpm, "pull", speed_ratio=1.0 - slip_rpm / rpm, gear=3, gear_probability=1.0,
                engine_torque_nm=100.0, pedal_pct=20.0, locked_probability=may_be_on,
            )
        )  # fmt: skip
    watch.end()
    assert (watch.on.count > 5) is is_on
    assert watch.open.count == 0


@pytest.mark.parametrize("noise_rpm", [0.0, 1.0, 3.0])
def test_noise_of_the_readings_is_no_shaking(noise_rpm: float) -> None:
    watch = watched(0.0, 0.0, noise_rpm=noise_rpm)
    assert watch.strength < 0.3
    assert watch.explained.against_none() < 0.0


@pytest.mark.parametrize("rate_hz", [3.0, 5.0, 7.0, 12.0])
def test_shaking_only_with_the_clutch_on_speaks_for_shudder(rate_hz: float) -> None:
    watch = watched(30.0, 0.0, rate_hz)
    assert watch.strength > 0.8
    assert watch.explained.against_none() > 3.0
    assert 10.0 < watch.on.strongest_rpm < 40.0


@pytest.mark.parametrize("half_order", [False, True])
def test_shaking_with_the_clutch_open_too_speaks_against_it(half_order: bool) -> None:
    watch = watched(30.0, 30.0, half_order=half_order)
    assert watch.strength > 0.8
    assert watch.explained.against_none() < 0.0


@pytest.mark.parametrize("rate_hz", [4.0, 7.0, 12.0])
def test_half_an_order_of_engine_speed_is_misfire_though_sampled_too_slowly(rate_hz: float) -> None:
    """At 1800 rpm half an order is 15 Hz: uneven sampling tells it from 10.7 Hz without resolving either."""
    misfire = watched(30.0, 30.0, rate_hz, half_order=True)
    assert misfire.order > 5.0
    assert misfire.explained.against_none() < -3.0
    assert watched(30.0, 0.0, rate_hz).order < -2.0


def test_what_the_engine_does_itself_is_not_held_against_the_clutch() -> None:
    assert watched(30.0, 0.0, torque_swing_nm=60.0).explained.against_none() < 1.5


def test_readings_too_far_apart_say_nothing() -> None:
    watch = watched(30.0, 0.0, rate_hz=0.8)
    assert watch.strength == 0.0
    assert watch.explained.against_none() == pytest.approx(0.0)
