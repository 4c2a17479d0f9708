"""Foot off: how far the turbine runs ahead of the engine it turns is learned, and tells the gear."""

from __future__ import annotations

from math import exp, log
from random import Random

import pytest

from livemon.estimate.gear_evidence import Weigher
from livemon.estimate.moment import Look
from livemon.estimate.open_slip import OpenSlip
from livemon.vehicle import Vehicle, curves_of

CURVES = curves_of(Vehicle(stall_speed_rpm=2200.0, stall_torque_nm=220.0))
# Pump torque over its value at stall, same pump speed, turbine faster than pump: JRC co2mpas 4.3.7,
# defaults.py, default normalised torque curve (EUPL).
PUBLISHED = ((1.1, -0.099), (1.222, -0.198), (1.375, -0.336), (1.571, -0.535), (2.2, -1.306))
GEARS = [124.0, 86.0, 54.3, 39.6]  # engine rpm per km/h
IDLE_RPM = 700.0


def ahead_by(stiffness: float, torque_nm: float, n: float, slip: OpenSlip) -> float:
    """x of a converter that takes so many stall capacities per (speed ratio - 1)."""
    return -log(1.0 - torque_nm / (stiffness * slip.stalled_nm(n)))


@pytest.mark.parametrize(("ratio", "share"), PUBLISHED)
def test_before_anything_is_learned_it_is_about_the_published(ratio: float, share: float) -> None:
    """Within two of its standard deviations of ln torque."""
    slip = OpenSlip(CURVES)
    torque_nm, sd_nm, _ = slip.torque_at(-log(ratio), 1000.0)
    assert abs(log(torque_nm / (share * slip.stalled_nm(1000.0)))) < 2.0 * sd_nm / -torque_nm


@pytest.mark.parametrize("n", (800.0, 1200.0, 2000.0))
def test_a_published_overrun_is_learned_and_its_shape_fits(n: float) -> None:
    slip = OpenSlip(CURVES)
    for _ in range(20):
        for ratio, share in PUBLISHED[:3]:
            slip.learn_over(-log(ratio), 0.01, 1200.0, share * slip.stalled_nm(1200.0), 1.0)
    for ratio, share in PUBLISHED:
        torque_nm, sd_nm, _ = slip.torque_at(-log(ratio), n)
        assert torque_nm == pytest.approx(share * slip.stalled_nm(n), rel=0.2)
        assert abs(torque_nm - share * slip.stalled_nm(n)) < 2.0 * sd_nm


@pytest.mark.parametrize("stiffness", (0.8, 1.5, 4.0))
def test_stiffness_is_learned_in_a_minute_of_overrun_and_its_sd_is_true(stiffness: float) -> None:
    inside = 0
    for seed in range(20):
        rng, slip = Random(seed), OpenSlip(CURVES)
        for _ in range(300):
            n, torque_nm = rng.uniform(900.0, 2000.0), -rng.uniform(15.0, 35.0)
            x = ahead_by(stiffness, torque_nm, n, slip) + rng.gauss(0.0, 0.01)
            slip.learn_over(x, 0.01, n, torque_nm * rng.gauss(1.0, 0.15), 0.2)
        inside += abs(slip.over - log(stiffness)) < 2.0 * slip.over_sd
        assert slip.over == pytest.approx(log(stiffness), abs=0.3)
    assert inside >= 18


def test_what_takes_no_torque_teaches_nothing() -> None:
    slip = OpenSlip(CURVES)
    before = slip.over, slip.over_sd
    slip.learn_over(0.1, 0.01, 1500.0, -20.0, 1.0)
    slip.learn_over(-0.1, 0.01, 1500.0, 5.0, 1.0)
    assert (slip.over, slip.over_sd) == before


def test_more_torque_than_a_turbine_can_pass_on_stops_at_half_its_speed() -> None:
    """unit n (turbine - n) is largest at half the turbine's speed; a slower engine gets less."""
    slip = OpenSlip(CURVES)
    n = [slip.x_at(-torque_nm, 1000.0) for torque_nm in (1.0, 5.0, 10.0, 20.0, 50.0, 1e4)]
    assert n == sorted(n, reverse=True)
    assert n[-1] == pytest.approx(log(0.5))


def coasting(torque_nm: float | None, n: float, v: float) -> Look:
    told = torque_nm is not None
    return Look(
        t=0.0, n=n, inertia_nm=0.0, v=v, v_sd=0.1, v_slow_sd=0.2,
        torque_nm=torque_nm or 0.0, torque_sd_nm=8.0 if told else 60.0, torque_told=told, foot_off=True,
        idle_rpm=IDLE_RPM, stated=None, stated_weight=1.0, stated_lock=None, slip=15.0, slip_var=600.0,
    )  # fmt: skip


def gear_odds(weigher: Weigher, look: Look, seconds: int) -> float:
    """How much likelier third gear is than second after so long, ten moments a second."""
    odds = 1.0
    for i in range(10 * seconds):
        weigher.begin(look._replace(t=100.0 + 0.1 * i), 0.1)
        odds *= weigher.weigh(2, 0.0, 0.0).open / weigher.weigh(1, 0.0, 0.0).open
    return odds


@pytest.mark.parametrize("told", (True, False))
def test_near_idle_the_lower_gear_would_pull_the_engine_along_faster(told: bool) -> None:
    """Third gear, 18 km/h: the turbine runs at 977 rpm, in second it would at 1548; the engine does 780."""
    weigher = Weigher(list(GEARS), [0.0] * 4, CURVES)
    for i in range(200):  # third gear, seen to be so: foot off, well above idle
        n = 1300.0
        x = ahead_by(4.0, -22.0, n, weigher.slip)
        look = coasting(-22.0 if told else None, n, n * exp(-x) / GEARS[2])
        weigher.begin(look._replace(t=10.0 + 0.1 * i), 0.1)
        weigher.learn(2)
    assert gear_odds(weigher, coasting(-20.0 if told else None, 780.0, 18.0), 3) > 5.0


def test_an_engine_the_governor_feeds_may_run_ahead_of_the_turbine() -> None:
    """Third gear at 10 km/h: the turbine runs at 543, the engine idles at 720 and that is no evidence
    against."""
    weigher = Weigher(list(GEARS), [0.0] * 4, CURVES)
    assert gear_odds(weigher, coasting(None, 720.0, 10.0), 3) > 0.5


def test_a_told_turbine_speed_is_the_gear() -> None:
    weigher = Weigher(list(GEARS), [0.0] * 4, CURVES)
    look = coasting(-20.0, 780.0, 18.0).by_turbine(18.0 * GEARS[2])
    assert gear_odds(weigher, look, 2) > 100.0
