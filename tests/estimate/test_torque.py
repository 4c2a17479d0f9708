"""Torque between its readings, and from one source only."""

from __future__ import annotations

from dataclasses import replace

import pytest

from livemon.estimate.torque import Torque
from livemon.records import Estimate
from livemon.vehicle import Vehicle, road_force

VEHICLE = Vehicle(displacement_l=2.0, fuel="petrol", peak_torque_nm=220.0)


def torque_of(percents: list[tuple[float, float]]) -> Torque:
    torque = Torque(VEHICLE)
    torque.add(0.0, "reference_torque_nm", 250.0)
    torque.add(0.0, "friction_torque_pct", 8.0)
    for t, percent in percents:
        torque.add(t, "engine_torque_pct", percent)
    return torque


def scatter(readings: list[tuple[float, float]], t: float) -> float:
    torque = Torque(VEHICLE)
    for time_s, nm in readings:
        torque.add(time_s, "engine_torque_nm", nm)
    found = torque.engine(t, 2000.0)
    assert found is not None
    return found[0].scatter_sd_nm


def test_torque_between_two_readings_far_apart_is_unsure() -> None:
    readings = [(0.0, 50.0), (1.0, 150.0)]
    assert scatter(readings, 0.5) > 25.0  # 100 N m of change went some way in between
    assert scatter(readings, 1.0) < 5.0


def test_torque_read_often_is_sure() -> None:
    assert scatter([(0.05 * i, 50.0 + 5.0 * i) for i in range(20)], 0.475) < 6.0


def test_a_worse_source_does_not_stand_in() -> None:
    """Reported each second and a half, air flow often: the two differ, so they never take turns."""
    torque = torque_of([(1.5 * i, 40.0) for i in range(20)])
    for i in range(300):
        torque.add(0.1 * i, "air_flow_g_s", 20.0)
    sources = {found[1] for i in range(280) if (found := torque.engine(0.1 * i, 2000.0)) is not None}
    assert sources == {"reported"}


def test_air_flow_serves_where_nothing_better_is_told() -> None:
    torque = Torque(VEHICLE)
    torque.add(1.0, "air_flow_g_s", 20.0)
    found = torque.engine(1.0, 2000.0)
    assert found is not None
    assert found[1] == "air_flow"


@pytest.mark.parametrize("source", ["air_flow_g_s", "engine_torque_nm"])
def test_torque_comes_with_engine_speed_as_a_converter_car_pulls_away(source: str) -> None:
    """The engine idles until torque comes, and what the pump takes goes with the square of its speed. Read
    every two and a half seconds, linear in time it would be there a second too soon."""
    torque = Torque(VEHICLE)

    def speed(t: float) -> float:
        return 700.0 if t < 4.0 else min(700.0 + 1500.0 * (t - 4.0), 2200.0)

    def made(t: float) -> float:
        return 160.0 * (speed(t) / 2200.0) ** 2

    def reading(t: float) -> float:
        """Air flow as if no friction were paid for."""
        return made(t) if source == "engine_torque_nm" else 20.0 * made(t) / 100.0 * speed(t) / 1000.0

    for i in range(80):
        t = 0.1 * i
        torque.turns(t, speed(t))
        if i % 25 == 20:
            torque.add(t + 0.01, source, reading(t + 0.01))
    read = [t for t in (2.0, 4.5, 7.0)]
    found = {t: torque.engine(t, speed(t)) for t in (3.5, 4.2, *read, 5.0)}
    nm = {t: at[0].nm for t, at in found.items() if at is not None}
    assert nm[3.5] == pytest.approx(nm[2.0], abs=6.0)  # it idles
    share = (made(4.2) - made(2.0)) / (made(4.5) - made(2.0))
    assert (nm[4.2] - nm[2.0]) / (nm[4.5] - nm[2.0]) == pytest.approx(share, abs=0.15)
    assert nm[4.5] < nm[5.0] < nm[7.0] + 3.0


def test_air_flow_between_readings_goes_with_the_turns_of_the_engine() -> None:
    """The torque it tells is what each turn draws in: after a shift up the same foot draws less a second."""
    torque = Torque(VEHICLE)
    for i in range(30):
        torque.turns(0.1 * i, 3000.0 if i < 12 else 2000.0)
        if i in (10, 25):
            torque.add(0.1 * i + 0.01, "air_flow_g_s", 30.0 if i == 10 else 20.0)
    before, after = torque.engine(1.05, 3000.0), torque.engine(1.75, 2000.0)
    assert before is not None and after is not None
    assert after[0].nm == pytest.approx(before[0].nm, abs=5.0)


@pytest.mark.parametrize("gap_s", [3.0, 10.0])
def test_an_old_reading_is_not_used(gap_s: float) -> None:
    torque = torque_of([(0.0, 40.0), (0.1, 40.0), (0.2, 40.0)])
    assert torque.engine(0.2 + gap_s, 2000.0) is None


def test_an_engine_without_friction_is_one_that_does_not_know_it() -> None:
    """Stated as 0 %, friction is guessed as where it is not stated, and known no better."""
    told, untold = Torque(VEHICLE), Torque(VEHICLE)
    for torque in (told, untold):
        torque.add(0.0, "reference_torque_nm", 250.0)
        torque.add(1.0, "engine_torque_pct", 40.0)
    told.add(0.5, "friction_torque_pct", 0.0)
    assert told.engine(1.0, 2000.0) == untold.engine(1.0, 2000.0)


@pytest.mark.parametrize("per_m", [45.0, 8.0])  # first gear, top gear
def test_torque_ratio_counts_what_turns_in_this_gear(per_m: float) -> None:
    e = Estimate(0.0, 2000.0, pump_torque_nm=150.0, road_speed_m_s=4.0, turbine_rad_per_m=per_m)
    e.road_accel_m_s2 = 2.0
    Torque(VEHICLE).ratio_into(e)
    turbine_nm = sum(road_force(VEHICLE, 4.0, 2.0, per_m)) / (per_m * VEHICLE.efficiency.value)
    assert e.torque_ratio == pytest.approx(turbine_nm / 150.0)


def test_where_no_torque_is_told_the_road_tells_it() -> None:
    nm, _, told = Torque(VEHICLE).pump(0.0, 2000.0, 0.0, 45.0, 4.0, 2.0, 0.1)
    assert nm == pytest.approx(sum(road_force(VEHICLE, 4.0, 2.0, 45.0)) / 45.0) and not told


CURVE = ((1000.0, 140.0), (2000.0, 190.0), (4000.0, 220.0), (6000.0, 180.0))


@pytest.mark.parametrize(
    ("vehicle", "source"),
    [
        (replace(VEHICLE, torque_curve=CURVE), "calculated_load"),
        (replace(VEHICLE, torque_curve=CURVE, fuel="diesel"), "calculated_load"),
        (replace(VEHICLE, peak_torque_rpm=4000.0), "calculated_load"),
        (
            replace(VEHICLE, peak_torque_rpm=1800.0),
            None,
        ),  # charged: at 1000 rpm it may make half or all of it
        (replace(VEHICLE, peak_torque_rpm=4000.0, fuel="diesel"), None),
        (replace(VEHICLE, peak_torque_nm=None), None),
    ],
)
def test_calculated_load_serves_last_where_full_load_is_known(vehicle: Vehicle, source: str | None) -> None:
    torque = Torque(vehicle)
    torque.add(1.0, "calculated_load_pct", 50.0)
    found = torque.engine(1.0, 2000.0)
    assert (found[1] if found else None) == source
    if found:
        assert 0.3 * 190.0 < found[0].nm < 0.5 * 190.0
        torque.add(1.0, "fuel_rate_l_h" if vehicle.fuel == "diesel" else "air_flow_g_s", 10.0)
        better = torque.engine(1.0, 2000.0)
        assert better is not None
        assert better[1] != source


def test_thin_air_makes_less_of_the_same_load() -> None:
    torque = Torque(replace(VEHICLE, torque_curve=CURVE))
    torque.add(1.0, "calculated_load_pct", 80.0)
    low = torque.engine(1.0, 2000.0)
    torque.add(1.0, "barometric_kpa", 80.0)
    high = torque.engine(1.0, 2000.0)
    assert low is not None and high is not None
    assert 0.7 < high[0].nm / low[0].nm < 0.85


def test_a_worse_source_waits_until_the_reference_torque_has_had_its_time() -> None:
    """A gain once widened for air flow stays wide, and the reference is read within seconds."""
    torque = Torque(VEHICLE)
    sources = []
    for i in range(400):
        t = 0.1 * i
        torque.add(t, "engine_torque_pct", 40.0)
        torque.add(t, "air_flow_g_s", 20.0)
        found = torque.engine(t, 2000.0)
        sources.append(found[1] if found else "")
    assert set(sources[:290]) == {""}
    assert set(sources[310:]) == {"air_flow"}, "it never came"
