"""Shaking of unseen frequency: its size shows although the sampling folds it."""

from __future__ import annotations

import random
from math import pi, sin

import pytest

from livemon.diagnose.shakes import ShakeWatch
from livemon.records import Estimate, Regime


def watched(on_rpm: float, open_rpm: float, rate_hz: float = 7.0, seconds: float = 120.0) -> ShakeWatch:
    """A cruise, clutch on and open in turns of 20 s, shaking at 10.7 Hz by so many rpm (amplitude)."""
    watch, rng, time_s = ShakeWatch(), random.Random(3), 0.0
    while time_s < seconds:
        time_s += rng.uniform(0.8, 1.2) / rate_hz
        locked = int(time_s / 20.0) % 2 == 0
        bursts = time_s % 5.0 < 2.5
        amplitude = (on_rpm if locked else open_rpm) * bursts
        rpm = round(4.0 * (1800.0 + 3.0 * time_s + amplitude * sin(2 * pi * 10.7 * time_s))) / 4.0
        regime: Regime = "locked" if locked else "pull"
        ratio = 0.99 if locked else 0.85
        watch.feed(
            Estimate(time_s, rpm, regime, speed_ratio=ratio, gear=5, pump_torque_nm=90.0, pedal_pct=20.0)
        )
    return watch


def test_rounding_alone_is_no_shaking() -> None:
    assert watched(0.0, 0.0).strength == 0.0


@pytest.mark.parametrize("rate_hz", [5.0, 7.0, 12.0])
def test_shaking_only_with_the_clutch_on_speaks_for_shudder(rate_hz: float) -> None:
    watch = watched(30.0, 0.0, rate_hz)
    assert watch.strength > 0.8
    assert watch.log_evidence_if_full > 2.0
    assert 10.0 < watch.on.strongest_rpm < 40.0


def test_shaking_with_the_clutch_open_too_speaks_against_it() -> None:
    watch = watched(30.0, 30.0)
    assert watch.strength == 0.0 or watch.log_evidence_if_full < 0.0


def test_readings_too_far_apart_say_nothing() -> None:
    assert watched(30.0, 0.0, rate_hz=1.5).strength == 0.0
