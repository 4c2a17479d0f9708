"""Engine torque from what is reported: definitions of the standards, and plain engine efficiency."""

from __future__ import annotations

from math import pi

import pytest

from livemon.converter.engine_torque import (
    accessories,
    air_flow_of_load,
    from_absolute_load,
    from_air_flow,
    from_calculated_load,
    from_fuel_rate,
    from_reported,
    pump_torque_nm,
)


def test_reported_torque_is_indicated_less_friction() -> None:
    """SAE J1979 PIDs 62, 63, 8E; friction 13 % is the SPN 514 example byte 8A of a public code index."""
    torque = from_reported(60.0, 400.0, friction_pct=13.0)
    assert torque.nm == pytest.approx((60.0 - 13.0) * 4.0)
    unknown = from_reported(60.0, 400.0)
    assert unknown.bias_sd_nm > torque.bias_sd_nm
    assert abs(unknown.nm - torque.nm) < 2.0 * unknown.bias_sd_nm


def test_whole_percent_sets_the_least_scatter() -> None:
    assert from_reported(0.0, 400.0, 10.0).scatter_sd_nm == pytest.approx(4.0 / 12.0**0.5, rel=1e-3)


def test_absolute_load_definition() -> None:
    """SAE J1979 PID 43: air mass per intake stroke over 1.184 g/L x cylinder displacement.

    2.0 litres at 100 % and 3000 rpm: 25 litres of strokes a second x 2, at 1.184 g/L: 59.2 g/s.
    """
    assert air_flow_of_load(100.0, 3000.0, 2.0) == pytest.approx(59.2)
    assert from_absolute_load(100.0, 3000.0, 2.0) == from_air_flow(59.2, 3000.0, 2.0)


@pytest.mark.parametrize("rpm", [1500.0, 2500.0, 4000.0])
def test_petrol_consumption_that_follows_is_an_engines(rpm: float) -> None:
    """Full load, stoichiometric: brake consumption 230-300 g/kWh (Heywood, from memory)."""
    air = air_flow_of_load(90.0, rpm, 2.0)
    kw = from_air_flow(air, rpm, 2.0).nm * rpm * pi / 30.0 / 1000.0
    assert 230.0 < air / 14.7 * 3600.0 / kw < 300.0


def test_petrol_full_load_torque_per_litre() -> None:
    """A naturally aspirated petrol engine makes 75 to 100 N m a litre (common practice, no source)."""
    assert 75.0 < from_absolute_load(92.0, 3500.0, 1.0).nm < 100.0


@pytest.mark.parametrize("rpm", [1500.0, 2500.0])
def test_diesel_consumption_that_follows_is_an_engines(rpm: float) -> None:
    """Good load: brake consumption 190-240 g/kWh (Heywood, from memory)."""
    litres_h = rpm / 100.0
    kw = from_fuel_rate(litres_h, rpm, 2.2).nm * rpm * pi / 30.0 / 1000.0
    assert 190.0 < litres_h * 835.0 / kw < 240.0


def test_idle_makes_hardly_any_torque() -> None:
    """A warm 2-litre petrol engine takes 2 to 3 g/s at idle (common practice, no source)."""
    torque = from_air_flow(2.5, 750.0, 2.0)
    assert abs(torque.nm) < 2.5 * torque.bias_sd_nm


def test_diesel_air_says_little() -> None:
    petrol, diesel = from_air_flow(60.0, 2000.0, 2.2, "petrol"), from_air_flow(60.0, 2000.0, 2.2, "diesel")
    assert diesel.bias_sd_nm / diesel.nm > 4.0 * petrol.bias_sd_nm / petrol.nm


def test_an_engine_of_unknown_size_or_fuel_is_less_sure() -> None:
    known = from_air_flow(40.0, 2000.0, 2.5, "petrol")
    assert from_air_flow(40.0, 2000.0).bias_sd_nm > known.bias_sd_nm
    assert from_air_flow(40.0, 2000.0, 2.5, None).bias_sd_nm > known.bias_sd_nm


def test_pump_gets_what_is_left() -> None:
    assert pump_torque_nm(200.0, 10.0, 0.3, 600.0) == pytest.approx(190.0 - 0.3 * 600.0 * pi / 30.0)
    assert 3.0 < accessories(2000.0).nm < 20.0 and accessories(800.0).nm > accessories(3000.0).nm


@pytest.mark.parametrize("fuel", ["petrol", "diesel"])
@pytest.mark.parametrize("rpm", [1500.0, 3000.0])
def test_calculated_load_of_a_hundred_is_the_rating_and_idle_is_friction(fuel: str, rpm: float) -> None:
    """SAE J1979 PID 04: air flow (of a diesel fuel flow) over the most at this speed; 1 bar of mean effective
    pressure in 2 litres is 16 N m."""
    full = from_calculated_load(100.0, rpm, 180.0, 2.0, fuel)
    assert full.nm == pytest.approx(180.0)
    assert full.bias_sd_nm > 0.1 * full.nm
    nothing = from_calculated_load(0.0, rpm, 180.0, 2.0, fuel)
    assert -45.0 < nothing.nm < -12.0
    assert (nothing.nm < -24.0) == (fuel == "petrol"), "a closed throttle pumps"
    halves = [from_calculated_load(50.0, rpm, 180.0, 2.0, fuel, air).nm for air in (1.0, 0.8)]
    assert (halves[1] < 0.9 * halves[0]) == (fuel == "petrol"), "thin air"
