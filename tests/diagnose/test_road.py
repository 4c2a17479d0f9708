"""What the road says of torque, and whether there is a converter to say something of."""

from __future__ import annotations

import sys
from dataclasses import replace
from math import log
from pathlib import Path
from random import Random

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import BARE, VEHICLE, Truth, judged  # it lies beside this file

from livemon.converter.curves import at
from livemon.diagnose.diagnoser import Diagnoser
from livemon.diagnose.facts import Facts, Faulty
from livemon.diagnose.nuisance import prior
from livemon.diagnose.presence import Presence
from livemon.diagnose.stretches import Stretches
from livemon.diagnose.windows import Window, WindowMaker
from livemon.records import Estimate
from livemon.vehicle import Vehicle, curves_of, of_any_weight

CURVES = curves_of(VEHICLE)


def window(speed_ratio: float, pump_nm: float, rpm: float, sd: float = 0.003) -> Window:
    """First gear under power, half a second of it."""
    maker = WindowMaker()
    for i in range(6):
        e = Estimate(0.1 * i, rpm, "pull", gear=1, gear_probability=0.99)
        e.speed_ratio, e.speed_ratio_sd, e.slip_rpm = speed_ratio, sd, rpm * (1.0 - speed_ratio)
        e.turbine_rpm = rpm * speed_ratio
        e.pump_torque_nm, e.engine_torque_nm, e.pump_torque_sd_nm = pump_nm, pump_nm + 4.0, 3.0
        e.road_speed_m_s, e.turbine_rad_per_m, e.torque_source = 6.0, 40.0, "reported"
        maker.feed(e)
    done = maker.end()
    assert done is not None
    return done


def test_hills_do_not_pull_the_mean_down() -> None:
    """Stretches of high torque are uphill ones, and must not weigh for themselves."""
    facts, draw = Facts(), Random(1)
    for _ in range(400):
        grade = draw.gauss(0.0, 0.02)
        supplied = max(0.04 + grade, 0.003)
        facts.add_force(
            "locked", 0.04, supplied, Faulty(supplied, supplied), own=0.02, shared=0.1, seconds=10.0
        )
    fact = facts.mean("r_t", "locked")
    assert fact is not None
    assert abs(fact.mean) < 0.05
    assert abs(fact.mean) < 2.0 * fact.sd


def test_a_weak_engine_still_shows() -> None:
    facts = Facts()
    for _ in range(20):
        facts.add_force("pull", 0.6 * 0.2, 0.2, Faulty(0.2, 0.2), own=0.02, shared=0.1, seconds=3.0)
    fact = facts.mean("r_t", "pull")
    assert fact is not None
    assert fact.mean == pytest.approx(log(0.6))
    assert fact.mean < -3.0 * fact.sd


def test_what_stretches_share_does_not_average_down() -> None:
    facts = Facts()
    for _ in range(100):
        facts.add("r_t", "locked", -0.3, own=0.2, shared=0.1, faulty=Faulty(), seconds=5.0)
    fact = facts.mean("r_t", "locked")
    assert fact is not None and fact.stretches == 100
    assert fact.mean == pytest.approx(-0.3)
    assert 0.1 < fact.sd < 0.11


@pytest.mark.parametrize("speed_ratio", [0.94, 0.96])
def test_a_pull_tells_its_pump_torque_also_where_it_tells_nothing_of_capacity(speed_ratio: float) -> None:
    """Past a speed ratio of 0.95 only the torque ratio is judged; by what torque is told all the same."""
    stretches = Stretches(VEHICLE, CURVES, prior(VEHICLE, CURVES))
    for _ in range(5):
        stretches.feed(window(speed_ratio, 100.0, 2500.0))
    stretches.end()
    (record,) = stretches.records
    assert (record.r_k is None) == (speed_ratio > 0.95)
    assert record.details["t_windows"] == 5
    assert record.details["pump_torque_nm"] == pytest.approx(100.0)


def test_light_slip_in_first_gear_is_no_friction_clutch() -> None:
    """Where the curve itself allows a speed ratio of 0.98, seeing 0.98 proves nothing."""
    pump_nm, ratio = 30.0, 0.98
    rpm = at(CURVES.k, ratio) * pump_nm**0.5
    presence = Presence(VEHICLE, CURVES, 240.0)
    for _ in range(60):
        presence.feed(window(ratio, pump_nm, rpm))
    assert not presence.clutch_car


def test_no_slip_under_torque_is_a_friction_clutch() -> None:
    presence = Presence(VEHICLE, CURVES, 240.0)
    for _ in range(60):
        presence.feed(window(0.999, 180.0, 2500.0))
    assert presence.clutch_car
    assert not presence.seen


@pytest.mark.parametrize("ratio", (0.98, 1.025))
def test_a_held_stator_is_a_converter_and_no_friction_clutch(ratio: float) -> None:
    """Past coupling it takes torque a little off equal speeds, on either side of them."""
    presence = Presence(VEHICLE, CURVES, 240.0)
    for _ in range(60):
        presence.feed(window(ratio, 180.0, 2500.0, sd=0.001))
    assert not presence.clutch_car


@pytest.mark.parametrize(("ratio", "friction"), [(0.9995, True), (0.994, False), (1.008, False)])
def test_where_turbine_speed_is_told_only_no_slip_at_all_is_a_friction_clutch(
    ratio: float, friction: bool
) -> None:
    presence = Presence(VEHICLE, CURVES, 240.0)
    for _ in range(60):
        presence.feed(replace(window(ratio, 180.0, 2500.0, sd=0.001), turbine_source="broadcast"))
    assert presence.clutch_car == friction


@pytest.mark.parametrize("number", ["stall_speed_rpm", "stall_torque_ratio", "coupling_speed_ratio"])
def test_any_number_of_a_converter_in_the_file_says_that_there_is_one(number: str) -> None:
    """One good look is then enough; without any, a launch may be a friction clutch let in."""
    known = replace(BARE, **{number: getattr(VEHICLE, number)})
    for vehicle, seen in ((known, True), (BARE, False)):
        presence = Presence(vehicle, CURVES, 240.0)
        for _ in range(4):
            presence.feed(replace(window(0.6, 120.0, 2000.0), regime="launch"))
        assert presence.seen == seen


@pytest.mark.parametrize("told", [True, False])
def test_first_gear_that_is_told_to_be_open_is_a_converters(told: bool) -> None:
    """No converter numbers in the file, a drive mostly with the clutch on."""
    presence = Presence(BARE, CURVES, 240.0)
    source = "broadcast" if told else "ratios"
    for _ in range(200):
        presence.feed(replace(window(0.995, 120.0, 1800.0), regime="locked", gear=5, turbine_source=source))
    for _ in range(20):
        presence.feed(replace(window(0.96, 120.0, 2500.0, sd=0.004), turbine_source=source))
    assert presence.seen == told


def test_a_clutch_let_in_says_nothing_of_the_engine() -> None:
    """Without converter numbers in the file, slip in launches may be a friction clutch."""
    for vehicle, looks in ((BARE, False), (VEHICLE, True)):
        diagnoser = Diagnoser(vehicle)
        w = replace(window(0.4, 150.0, 1500.0), regime="launch")
        diagnoser.bank.feed(w, False, diagnoser.presence.reads_k)
        assert (diagnoser.bank.looks > 0) == looks


def test_a_signal_that_reads_too_high_at_full_pedal_excuses_an_engine_and_one_that_is_right_does_not() -> (
    None
):
    d, _ = judged(Truth(torque_made=0.6), 1, 240.0)
    untold = d.bank.log_finding()["engine_low_output"]
    right, high = (d.bank.log_finding((gain, 0.09))["engine_low_output"] for gain in (0.0, log(0.6)))
    assert high < untold < right + 0.5
    assert right > high + 0.3


@pytest.mark.parametrize(("source", "looks"), [("found", True), ("guessed", False)])
def test_a_gear_that_may_be_another_tells_nothing_of_the_converter(source: str, looks: bool) -> None:
    diagnoser = Diagnoser(VEHICLE)
    for i in range(400):
        ratio = 0.3 + 0.05 * (i // 40)
        diagnoser.feed(
            Estimate(
                0.1 * i, 2200.0, "launch" if i < 200 else "pull", 2200.0 * ratio, 20.0,
                2200.0 * (1.0 - ratio), 20.0, ratio, 0.01, 2, 1.0, 0.0, road_speed_m_s=8.0,
                turbine_rad_per_m=25.0, engine_torque_nm=150.0, pump_torque_nm=140.0,
                torque_source="reported", turbine_source=source,
            )
        )  # fmt: skip
    diagnoser.end()
    assert (diagnoser.bank.looks > 0) is looks


def test_a_vehicle_of_any_weight_is_not_judged_by_how_it_gains_speed() -> None:
    """Without a mass in the file a bus would be a car with a weak engine."""
    anything = of_any_weight(replace(VEHICLE, mass_kg=Vehicle().mass_kg))
    assert of_any_weight(VEHICLE) == VEHICLE  # given, it stays
    ends = []
    for vehicle in (VEHICLE, anything):
        diagnoser = Diagnoser(vehicle)
        for i in range(3000):
            diagnoser.feed(
                Estimate(
                    0.1 * i, 1800.0, "locked", 1795.0, 5.0, 5.0, 5.0, 0.997, 0.003, 4, 1.0, 0.95,
                    road_speed_m_s=16.0, road_accel_m_s2=0.03, road_accel_sd_m_s2=0.02,
                    turbine_rad_per_m=12.5 if i < 1500 else 9.3, engine_torque_nm=200.0 + i % 40,
                    pump_torque_nm=195.0 + i % 40, torque_source="reported", turbine_source="ratios",
                )
            )  # fmt: skip
        diagnoser.end()
        ends.append(diagnoser)
    weighed, unknown = (d.bank.log_finding() for d in ends)
    assert max(weighed["engine_low_output"], weighed["driveline_drag"]) > 2.0
    assert max(abs(value) for value in unknown.values()) < 0.5
    assert any("no mass is given" in line for line in ends[1].cannot_judge)
