"""Torque's zero and the stalled converter's share, against the textbook recursion with matrices."""

from __future__ import annotations

from math import sqrt
from random import Random

import numpy as np
import pytest

from livemon.estimate.zero import Zero

SHARE, SHARE_SD, BETWEEN_NM2, STOP_SD_NM, SIGNAL_SD_NM = 0.85, 0.3, 20.0, 6.0, 12.0


@pytest.mark.parametrize("seed", range(5))
def test_stops_in_gear_and_in_neutral_against_a_matrix_filter(seed: int) -> None:
    """Kalman (1960), (z, c) with torque = z + c load: the zero walks between stops while it is known well."""
    zero, rng = Zero(), Random(seed)
    x, p = np.array([0.0, SHARE]), np.diag([SIGNAL_SD_NM**2, SHARE_SD**2])
    for stop in range(12):
        load_nm = rng.choice([0.0, rng.uniform(15.0, 40.0)])
        torque_nm = 4.0 + 0.7 * load_nm + rng.gauss(0.0, 5.0)
        if stop and p[0, 0] < SIGNAL_SD_NM**2:
            p[0, 0] += BETWEEN_NM2
        h = np.array([1.0, load_nm])
        s = float(h @ p @ h) + STOP_SD_NM**2
        gain = p @ h / s
        x, p = x + gain * (torque_nm - float(h @ x)), p - np.outer(gain, h @ p)
        zero.learn(torque_nm, load_nm, SIGNAL_SD_NM)
        assert zero.nm == pytest.approx(x[0])
        assert zero.sd_nm == pytest.approx(sqrt(p[0, 0] + BETWEEN_NM2))
        taken, variance = zero.taken(30.0)
        assert taken == pytest.approx(30.0 * x[1]) and variance == pytest.approx(900.0 * p[1, 1])


def test_stops_in_both_part_the_zero_from_the_share() -> None:
    zero, truth = Zero(), (6.0, 0.6)
    for _ in range(40):
        for load_nm in (0.0, 30.0):
            zero.learn(truth[0] + truth[1] * load_nm, load_nm, SIGNAL_SD_NM)
    assert zero.nm == pytest.approx(truth[0], abs=0.5)
    assert zero.taken(30.0)[0] == pytest.approx(30.0 * truth[1], abs=1.0)
