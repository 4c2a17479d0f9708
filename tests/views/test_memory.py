"""What is remembered of a drive: the shape of slip, bounded however long the drive."""

from __future__ import annotations

from dataclasses import replace

import pytest

from livemon.quantities import RPM_TO_RAD_S
from livemon.records import Estimate, Oscillation, Reading
from livemon.views import example
from livemon.views.memory import WHOLE, Memory, heat_kw


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
