"""What is remembered of a drive: the shape of slip, bounded however long the drive."""

from __future__ import annotations

from dataclasses import replace

import pytest

from livemon.quantities import CLUTCH_COMES_ON_S, RPM_TO_RAD_S
from livemon.records import Estimate, Oscillation, Reading, Regime
from livemon.views import example
from livemon.views.memory import NEAR_SHIFT_S, WHOLE, Memory, heat_kw, telling_point


def _estimate(time_s: float, slip: float | None) -> Estimate:
    return Estimate(
        time_s, 2000.0, "launch", slip_rpm=slip, pump_torque_nm=100.0, speed_ratio=0.5, torque_ratio=1.2
    )


def test_a_spike_survives_however_long_the_drive() -> None:
    memory = Memory()
    for i in range(40_000):
        memory.add(_estimate(i * 0.1, 500.0 if i == 777 else 10.0))
    memory.end()
    assert len(memory.slip) <= WHOLE and len(memory.points) <= WHOLE
    assert max(span.high_rpm for span in memory.slip) == 500.0
    assert min(span.low_rpm for span in memory.slip) == 10.0
    assert [s.start_s for s in memory.slip] == sorted(s.start_s for s in memory.slip)
    assert sum(memory.regime_s.values()) == pytest.approx(4000.0, abs=0.5)


def test_halving_keeps_the_newest_swing() -> None:
    memory = Memory()
    for i in range(WHOLE + 1):  # an odd number: the last one has no neighbour
        memory.swing(Oscillation(float(i), 9.0, 80.0 if i == WHOLE else 3.0, 0.1, 15.0, 4.0, True))
    assert len(memory.shakes) == WHOLE // 2 + 1 and memory.shakes[-1].amplitude_rpm == 80.0


def test_the_strongest_swing_survives() -> None:
    memory = Memory()
    for i in range(3 * WHOLE):
        memory.swing(Oscillation(float(i), 9.0, 80.0 if i == 5 else 3.0, 0.1, 15.0, 4.0, True))
    assert len(memory.shakes) <= WHOLE
    assert max(s.amplitude_rpm for s in memory.shakes) == 80.0
    memory.swing(Oscillation(1e9, 9.0, 500.0, 0.0, 15.0, 4.0, False))  # open: a launch, no shudder
    assert max(s.amplitude_rpm for s in memory.shakes) == 80.0
    assert memory.shake is not None and memory.shake.time_s == 3 * WHOLE - 1


def test_rates_are_those_of_the_last_seconds() -> None:
    memory = Memory()
    for i in range(400):  # 20 a second, then 40
        memory.see(Reading(i * 0.05, "engine_rpm", 800.0))
        if i % 5 == 4:
            memory.rates(i * 0.05)
    for i in range(400):
        memory.see(Reading(20.0 + i * 0.025, "engine_rpm", 800.0))
        if i % 10 == 9:
            rates = memory.rates(20.0 + i * 0.025)
    assert rates[0].quantity == "engine_rpm"
    assert rates[0].per_s == pytest.approx(40.0, rel=0.05)
    assert memory.whole_rates(30.0)[0].per_s == pytest.approx(800 / 30)
    later = memory.rates(60.0)
    assert later[0].per_s < 1.0 and later[0].age_s == pytest.approx(30.0, abs=0.1)


def test_heat_is_torque_times_slip_speed() -> None:
    assert example.ESTIMATE.pump_torque_nm is not None and example.ESTIMATE.slip_rpm is not None
    expected = example.ESTIMATE.pump_torque_nm * example.ESTIMATE.slip_rpm * RPM_TO_RAD_S / 1000.0
    assert heat_kw(example.ESTIMATE) == pytest.approx(expected)
    assert heat_kw(Estimate(0.0, 800.0)) is None
    assert heat_kw(replace(example.ESTIMATE, slip_sd_rpm=900.0)) is None  # a figure that means nothing
    held = Estimate(0.0, 740.0, "stationary_in_gear", 0.0, 5.0, 740.0, 5.0, pump_torque_nm=-4.0)
    assert heat_kw(held) is None, "worked out, a signal may be off by more than an idle takes"


def test_the_peak_heat_lasts_a_second() -> None:
    memory = Memory()
    for i in range(200):
        slip = 3000.0 if i == 50 else 500.0 if i >= 100 else 10.0
        memory.add(_estimate(i * 0.1, slip))
    memory.end()
    assert memory.heat_peak_kw == pytest.approx(100.0 * 500.0 * RPM_TO_RAD_S / 1000.0, rel=0.01)
    assert memory.heat_kj == pytest.approx(52.4, rel=0.2)  # 10 s of 5.24 kW


def test_a_gap_is_not_time_in_a_regime() -> None:
    memory = Memory()
    for time_s in (0.0, 0.3, 100.0, 100.3):
        memory.add(_estimate(time_s, 10.0))
    memory.end()
    assert sum(memory.regime_s.values()) < 3.0


def _open(time_s: float, regime: Regime, ratio: float = 0.5, locked: float = 0.0) -> Estimate:
    return Estimate(
        time_s, 2000.0, regime, slip_rpm=1000.0, pump_torque_nm=100.0, pump_torque_sd_nm=5.0,
        speed_ratio=ratio, capacity_rpm_per_sqrt_nm=200.0, locked_probability=locked,
    )  # fmt: skip


def _points(*stretches: tuple[Regime, float, float]) -> list[float]:
    """Times of the points kept of (regime, until, speed ratio) in turn, ten estimates a second."""
    memory, time_s = Memory(), 0.0
    for regime, until_s, ratio in stretches:
        while time_s < until_s:
            memory.add(_open(time_s, regime, ratio))
            time_s += 0.1
    memory.end()
    return [point.time_s for point in memory.recent_points]


def test_a_point_is_held_back_until_the_clutch_is_known_to_have_stayed_open() -> None:
    kept = _points(("pull", 10.0, 0.85), ("locked", 20.0, 1.0))
    assert kept and 7.0 < max(kept) <= 10.0 - CLUTCH_COMES_ON_S + 0.3
    assert _points(("pull", 10.0, 0.85), ("coast", 20.0, 1.1))[-1] > 9.0  # it stayed open


def test_no_point_is_kept_near_a_shift() -> None:
    kept = _points(("launch", 5.0, 0.5), ("shift", 6.0, 0.6), ("pull", 12.0, 0.6))
    assert not [t for t in kept if 5.0 - NEAR_SHIFT_S + 0.3 < t < 6.0 + NEAR_SHIFT_S - 0.3]
    assert min(kept) < 1.0 and max(kept) > 8.0


def test_a_launch_tells_sooner_than_a_pull() -> None:
    assert max(_points(("launch", 4.0, 0.3))) > max(_points(("pull", 4.0, 0.3))) + 1.0


def test_idle_and_a_clutch_that_may_be_on_tell_no_point() -> None:
    assert telling_point(_open(0.0, "pull")) is not None
    assert telling_point(_open(0.0, "pull", locked=0.3)) is None
    idle = replace(_open(0.0, "stationary_in_gear"), pump_torque_nm=20.0, pump_torque_sd_nm=1.0)
    assert telling_point(idle) is None
