"""The sliding spectrum against scipy.signal.lombscargle, and its false-alarm probability against chance."""

from __future__ import annotations

import random
from math import pi, sin

import numpy as np
import pytest
from scipy.signal import lombscargle

from livemon.estimate.oscillation import Swings, strongest


def uneven(rng: random.Random, count: int, step: float) -> list[float]:
    times = [0.0]
    while len(times) < count:
        times.append(times[-1] + step * rng.uniform(0.7, 1.3))
    return times


@pytest.mark.parametrize("hz", [3.0, 5.5, 8.0])
def test_peak_is_where_lombscargle_has_it(hz: float) -> None:
    rng = random.Random(3)
    times = uneven(rng, 40, 0.05)
    values = [1800.0 + 12.0 * sin(2.0 * pi * hz * t + 0.4) + rng.gauss(0.0, 1.5) for t in times]
    swing = strongest(times, values, 10.0)
    grid = np.linspace(2.0, 10.0, 801)
    y = np.asarray(values) - np.mean(values)
    reference = grid[np.argmax(lombscargle(np.asarray(times), y, 2.0 * pi * grid, floating_mean=True))]
    assert swing.frequency_hz == pytest.approx(reference, abs=0.25)
    assert swing.amplitude == pytest.approx(12.0, rel=0.15)
    assert swing.false_alarm_probability < 1e-4


@pytest.mark.parametrize(("count", "step_s"), [(26, 0.05), (45, 0.066)])
def test_false_alarms_are_as_rare_as_stated(count: int, step_s: float) -> None:
    """The stated probability is an upper bound, and close [baluev-2008]."""
    rng = random.Random(4)
    alarms = 0
    for _ in range(1500):
        times = uneven(rng, count, step_s)
        values = [1500.0 + 80.0 * t + rng.gauss(0.0, 3.0) for t in times]
        alarms += strongest(times, values, 0.45 / step_s).false_alarm_probability < 0.05
    assert 0.5 < alarms / 1500 / 0.05 < 1.2


def test_the_false_alarm_probability_of_a_strong_swing_is_small_but_not_nothing() -> None:
    """It ranks swings: were it lost in rounding, all strong ones would be alike, and certain."""

    def chance(noise_rpm: float) -> float:
        rng = random.Random(3)
        times = uneven(rng, 40, 0.05)
        values = [1800.0 + 12.0 * sin(2.0 * pi * 5.5 * t) + rng.gauss(0.0, noise_rpm) for t in times]
        return strongest(times, values, 9.0).false_alarm_probability

    assert 0.0 < chance(0.3) < chance(1.0) < 1e-16


def test_pulling_away_is_no_swing() -> None:
    times = uneven(random.Random(5), 26, 0.05)
    values = [1000.0 + 900.0 * t - 250.0 * t * t + 40.0 * t**3 for t in times]
    assert strongest(times, values, 9.0).amplitude < 0.5


def test_a_misfire_follows_the_engine() -> None:
    """Half an order at 1100 to 1400 rpm: the swing's frequency moves with the engine."""
    rng = random.Random(6)
    times = uneven(rng, 40, 0.033)
    turns, values, last = 0.0, [], 0.0
    for t in times:
        n = 700.0 + 350.0 * t
        turns += (t - last) * n / 60.0
        last = t
        values.append(n + 15.0 * sin(2.0 * pi * 0.5 * turns) + rng.gauss(0.0, 1.0))
    assert strongest(times, values, 14.0).order == 0.5


def test_a_swing_shows_within_a_second_and_a_half() -> None:
    swings = Swings()
    t, seen = 0.0, None
    while t < 8.0:
        n = 1700.0 + (15.0 * sin(2.0 * pi * 6.0 * t) if t > 5.0 else 0.0)
        swings.add(t, n)
        if int(t / 0.5) != int((t - 0.05) / 0.5):
            look = swings.look(locked=True)
            if look and seen is None and look.false_alarm_probability < 1e-3 and look.amplitude_rpm > 8.0:
                seen = t
        t += 0.05
    assert seen is not None and seen - 5.0 < 1.5


def test_too_slow_a_poll_says_what_it_can_see() -> None:
    swings = Swings()
    for i in range(12):
        swings.add(0.4 * i, 1700.0 + (i % 2) * 20.0)
    look = swings.look(locked=True)
    assert look is not None
    assert look.highest_visible_hz == pytest.approx(1.25)
    assert look.false_alarm_probability == 1.0
