"""A held stator: the turbine runs ahead of an engine that pulls, and no other gear is taken for it."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from livemon.converter.mean_path import Geometry, characteristic
from livemon.estimate.ahead import FURTHEST, Ahead
from livemon.estimate.gears import Gears
from livemon.estimate.moment import Look
from livemon.vehicle import Vehicle, curves_of

GEARS = [140.0, 80.0, 52.0, 36.0]  # engine rpm per km/h
CURVES = curves_of(Vehicle(stall_speed_rpm=2000.0, stall_torque_nm=160.0))


def test_a_held_stator_passes_torque_on_past_equal_speeds() -> None:
    """Mean-path model (Hrovat & Tobler, J. Franklin Inst. 319 (1985)): some hundredths, no sound one does."""
    held, working = (characteristic(Geometry(), [0.98, 1.02, 1.04], s) for s in ("held", "working"))
    assert np.all(np.isfinite(held.capacity)) and np.all(np.diff(held.capacity) > 0.0)
    assert np.all((held.torque_ratio > 0.7) & (held.torque_ratio < 0.9))
    assert np.all(np.isinf(working.capacity[1:]))
    furthest = max(
        s for s in np.linspace(1.0, 1.3, 61) if characteristic(Geometry(), [s], "held").capacity[0] < 1e3
    )
    assert 1.0 < furthest < 1.0 - FURTHEST


def look(t: float, gear: int, kmh: float, x: float, torque_nm: float, noise: Random) -> Look:
    n = GEARS[gear] * kmh * (1.0 + x + noise.gauss(0.0, 0.001))
    return Look(
        t=t, n=n, inertia_nm=0.0, v=kmh, v_sd=0.1, v_slow_sd=0.1, torque_nm=torque_nm, torque_sd_nm=6.0,
        torque_told=True, foot_off=False, idle_rpm=750.0, stated=None, stated_weight=1.0, stated_lock=None,
        slip=15.0, slip_var=600.0,
    )  # fmt: skip


def driven(x: float, torque_nm: float, seed: int) -> list[tuple[int, int]]:
    """(true, found) gear of pulls from rest through second gear, slip x of an open converter."""
    gears, noise, told, t = Gears(list(GEARS), [0.0] * 4, CURVES), Random(seed), [], 0.0
    for _ in range(3):
        gears.rest(t, 0.0, None)
        kmh = 8.0
        for gear, seconds in ((0, 3.0), (1, 5.0)):
            for i in range(round(seconds / 0.18)):
                t, kmh = t + 0.18, kmh + 0.5
                slip = x + (0.25 - x) * max(0.0, 1.0 - i / 5.0) if gear == 0 else x
                tick = gears.tick(look(t, gear, kmh, slip, torque_nm, noise))
                if i > 8:
                    told.append((gear, tick.gear))
    return told


@pytest.mark.parametrize("seed", range(5))
def test_its_gears_are_known(seed: int) -> None:
    """Seven per cent ahead, 120 N m: the third pull at the latest is right, and most before."""
    told = driven(-0.07, 120.0, seed)
    assert sum(true == found for true, found in told) > 0.9 * len(told)


def test_a_sound_converter_is_not_thought_held() -> None:
    ahead = Ahead()
    before = ahead.chance
    for x in (0.1, 0.05, 0.01, -0.01):  # within what tyre and gauge may be off by
        ahead.learn(x, 0.02, 0.5, 1.0)
    assert ahead.chance == before


def test_it_is_learned_in_seconds_and_unlearned() -> None:
    ahead = Ahead()
    for _ in range(10):
        ahead.learn(-0.06, 0.012, 0.04, 0.15)
    assert ahead.chance > 0.5
    for _ in range(100):
        ahead.learn(0.01, 0.012, 9.0, 0.15)
    assert ahead.chance < 0.1
