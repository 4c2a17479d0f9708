"""Every fault shows as physics says it must, and nowhere else."""

from __future__ import annotations

from functools import cache
from math import pi, sqrt
from typing import Any

import pytest

from livemon.errors import UsageError
from livemon.simulate.causes import Truth
from livemon.simulate.fast import drive
from livemon.simulate.scenario import FAULTS, Scenario, draw

RPM = 30.0 / pi


@cache
def driven(fault: str, seed: int, **choices: Any) -> tuple[Scenario, list[Truth]]:
    run = drive(draw(fault, seed, seconds=130.0, style="road_test", **choices), keep_truth=True)
    for _ in run:
        pass
    return run.scenario, run.history


def launches(history: list[Truth]) -> list[Truth]:
    """Rows of pulling away: first gear, low speed ratio, real torque."""
    return [
        t
        for t in history
        if t.gear == 1 and 0.1 < t.speed_ratio < 0.6 and t.pump_torque_nm > 30.0 and not t.shifting
    ]


def capacity(t: Truth) -> float:
    return t.engine_rpm / sqrt(t.pump_torque_nm)


@pytest.mark.parametrize("seed", [1, 5])
def test_lost_stator_multiplies_nothing_and_holds_the_engine_down(seed: int) -> None:
    sound, sick = (launches(driven(fault, seed, severity=1.0)[1]) for fault in ("none", "stator_not_holding"))
    assert min(t.turbine_torque_nm / t.pump_torque_nm for t in sound) > 1.2
    worst = sorted(t.turbine_torque_nm / t.pump_torque_nm for t in sick)
    assert worst[len(worst) // 10] < 1.5
    low = [t for t in sick if t.stator != "held"]
    assert low
    assert min(map(capacity, low)) < 0.97 * min(map(capacity, sound))


@pytest.mark.parametrize("seed", [1, 5])
def test_seized_stator_launches_well_and_brakes_past_coupling(seed: int) -> None:
    _, sick = driven("stator_seized", seed)
    assert min(t.turbine_torque_nm / t.pump_torque_nm for t in launches(sick)) > 1.2
    past = [t for t in sick if t.clutch == "open" and 0.965 < t.speed_ratio < 1.0 and t.pump_torque_nm > 20.0]
    assert all(t.turbine_torque_nm < t.pump_torque_nm for t in past)


@pytest.mark.parametrize("seed", [1, 3])
def test_a_slipping_clutch_slips_more_under_load(seed: int) -> None:
    _, sick = driven("lockup_slip", seed)
    on = [t for t in sick if t.clutch in ("locked", "slipping") and t.engine_torque_nm > 20.0]
    slip = sorted((t.engine_torque_nm, t.engine_rpm - t.turbine_rpm) for t in on)
    third = len(slip) // 3
    assert sum(s for _, s in slip[-third:]) > sum(s for _, s in slip[:third]) + 20.0 * third
    _, sound = driven("none", seed)
    held = [t.engine_rpm - t.turbine_rpm for t in sound if t.clutch == "locked"]
    assert max(map(abs, held)) < 1e-6


def test_a_clutch_that_is_never_applied_never_locks() -> None:
    _, sound = driven("none", 1)
    _, sick = driven("lockup_never_applied", 1)
    assert any(t.clutch == "locked" for t in sound)
    assert not any(t.clutch in ("locked", "slipping") for t in sick)


@pytest.mark.parametrize("seed", [1, 5])
def test_shudder_is_slip_that_swings_at_four_to_twenty_hertz(seed: int) -> None:
    numpy = pytest.importorskip("numpy")
    scenario, sick = driven("lockup_shudder", seed)
    window = 125
    found = []
    for i in range(0, len(sick) - window, window):
        part = sick[i : i + window]
        if all(t.clutch in ("locked", "slipping") for t in part):
            slip = numpy.array([t.engine_rpm - t.turbine_rpm for t in part])
            slip -= numpy.polyval(numpy.polyfit(range(window), slip, 2), range(window))
            size = numpy.abs(numpy.fft.rfft(slip * numpy.hanning(window))) / window * 4.0
            best = 3 + int(numpy.argmax(size[3:25]))
            if size[best] > 8.0:
                found.append(best)
    assert len(found) >= 3, "seconds of shudder"
    assert abs(numpy.median(found) - scenario.causes.valve_hunt_hz) < 2.0


@pytest.mark.parametrize("seed", [1, 7])
def test_a_gear_element_slips_in_its_gear_only(seed: int) -> None:
    scenario, sick = driven("gear_slip", seed)
    bad = scenario.causes.slipping_gear
    over: dict[int, float] = {}
    for t in sick:
        if t.gear and not t.shifting and t.road_kmh > 3.0:
            ratio = scenario.gearbox.ratios[t.gear - 1] * scenario.gearbox.final_drive
            wheels_rpm = t.road_kmh / 3.6 / scenario.body.tyre_radius_m * ratio * RPM
            over[t.gear] = max(over.get(t.gear, 0.0), t.turbine_rpm - wheels_rpm)
    assert over[bad] > 150.0
    assert all(o < 0.8 * over[bad] for gear, o in over.items() if gear != bad)


def test_an_engine_that_makes_less_than_it_reports() -> None:
    for seed in range(12):
        scenario = draw("engine_low_output", seed)
        if scenario.causes.engine.burn_share < 1.0:
            world, sound = scenario.world(), draw("none", seed).world()
            for w in (world, sound):
                w.driver.step = lambda *_: None  # type: ignore[method-assign]
                w.driver.pedal, w.driver.brake_m_s2 = 0.6, 30.0
                w.driver.park = False
                w.run_to(4.0)
            made = (world.engine.net_nm + world.engine.friction_now_nm) / world.engine.indicated_nm
            assert made == pytest.approx(scenario.causes.engine.burn_share, rel=1e-6)
            assert world.engine_rad_s < sound.engine_rad_s or scenario.gearbox.neutral_at_stop
            return
    pytest.fail("no engine of this kind among the seeds")


def test_an_engine_short_of_air_reports_what_it_makes() -> None:
    scenario = next(
        s for s in (draw("engine_low_output", i) for i in range(20)) if s.causes.engine.air_share < 1.0
    )
    world = scenario.world()
    full = world.engine._full[60]
    assert full == pytest.approx(scenario.engine.full_load_nm(3000.0) * scenario.causes.engine.air_share)


def test_a_dragging_brake_slows_the_coast() -> None:
    """Same vehicle, same road, pedal up at the same speed: the difference in deceleration is force / mass."""
    accel = []
    for fault in ("none", "driveline_drag"):
        world = draw(fault, 3, severity=1.0).world()
        world.driver.step = lambda *_: None  # type: ignore[method-assign]
        world.driver.pedal = world.driver.brake_m_s2 = 0.0
        world.control.gear = world.control.target = 3
        world.speed_m_s = 18.0
        world.turbine_rad_s = (
            18.0 / world.body.tyre_radius_m * world.gearbox.ratios[2] * world.gearbox.final_drive
        )
        world.engine_rad_s = world.turbine_rad_s
        world.run_to(1.0)
        accel.append((world.speed_m_s - 18.0) / 1.0)
    causes = draw("driveline_drag", 3, severity=1.0).causes
    mass = draw("none", 3).body.mass_kg
    assert accel[0] - accel[1] == pytest.approx(causes.drag_n / mass, rel=0.15)


def test_misfire_shakes_at_half_engine_order_and_goes_on_without_the_clutch() -> None:
    numpy = pytest.importorskip("numpy")
    world = draw("misfire", 5, severity=2.5).world()
    world.driver.step = lambda *_: None  # type: ignore[method-assign]
    world.driver.pedal, world.driver.brake_m_s2 = 0.3, 30.0
    speeds = []
    while world.time_s < 12.0:
        world.step()
        speeds.append(world.engine_rad_s * RPM)
    part = numpy.array(speeds[-500:])
    size = numpy.abs(numpy.fft.rfft((part - part.mean()) * numpy.hanning(500)))
    hz = (4 + int(numpy.argmax(size[4:]))) / 4.0
    assert not world.stuck
    assert hz == pytest.approx(part.mean() / 120.0, rel=0.1), "one event in two turns"


def test_unknown_fault_or_choice_is_a_usage_error() -> None:
    with pytest.raises(UsageError, match="one of none"):
        draw("rust")
    with pytest.raises(UsageError, match="colour"):
        draw("none", 1, colour="red")


@pytest.mark.parametrize("fault", FAULTS)
def test_mild_faults_are_milder(fault: str) -> None:
    mild, grave = draw(fault, 2, severity=0.3).causes, draw(fault, 2, severity=1.2).causes
    assert mild.drag_n <= grave.drag_n
    assert mild.clutch_fall <= grave.clutch_fall
    assert mild.clutch_limit_nm >= grave.clutch_limit_nm
    assert mild.gear_capacity_nm >= grave.gear_capacity_nm
    assert mild.engine.burn_share * mild.engine.air_share >= grave.engine.burn_share * grave.engine.air_share
