"""Moments of a truncated normal against scipy.stats.truncnorm."""

from __future__ import annotations

import pytest
from scipy.stats import truncnorm

from livemon.estimate.interval import truncated


@pytest.mark.parametrize("mean", [-3.0, 0.0, 0.4, 2.0])
@pytest.mark.parametrize("sd", [0.2, 1.0, 5.0])
@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-0.5, 0.5), (1.0, 1.02)])
def test_moments_are_scipys(mean: float, sd: float, low: float, high: float) -> None:
    a, b = (low - mean) / sd, (high - mean) / sd
    if a > 5.5 or b < -5.5:
        pytest.skip("beyond the range where the error function has digits")
    mass, m, v = truncated(mean, sd, low, high)
    wanted = truncnorm(a, b, loc=mean, scale=sd)
    assert m == pytest.approx(wanted.mean(), rel=1e-5, abs=1e-6)
    assert v == pytest.approx(wanted.var(), rel=1e-3, abs=2e-6 * sd * sd)
    assert 0.0 < mass <= 1.0


def test_far_away_the_moments_stay_in_the_interval() -> None:
    mass, m, v = truncated(0.0, 0.1, 5.0, 6.0)
    assert mass < 1e-6
    assert 5.0 < m < 5.5
    assert 0.0 < v < 0.09


@pytest.mark.parametrize("sds", [5.9, 5.995, 5.9999, 6.0001, 6.5])
def test_nothing_jumps_where_the_error_function_runs_out_of_digits(sds: float) -> None:
    mass, m, v = truncated(0.0, 0.05, 0.05 * sds, 1.0)
    assert mass < 3e-9
    assert 0.05 * sds < m < 0.05 * (sds + 0.25)
    assert 0.0 < v < 0.05**2
