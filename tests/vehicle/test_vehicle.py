"""What follows from a vehicle's numbers: turbine turns per metre, full load, curves."""

from __future__ import annotations

import subprocess
import sys
from math import pi, sqrt

import pytest

from livemon.vehicle import (
    Known,
    Vehicle,
    curves_of,
    engine_torque_limit,
    stall_point,
    turbine_rad_per_m,
)
from livemon.vehicle_file import usual_for
from livemon.vehicle_stall import behind, is_charged, stall_sheet


def test_turbine_turns_per_metre() -> None:
    """At 100 km/h in a 0.7 gear on 3.4 and a 0.33 m wheel: 100/3.6/0.33 x 2.38 rad/s."""
    vehicle = Vehicle(gear_ratios=(4.0, 0.7), final_drive=3.4, tyre_radius_m=Known(0.33, 0.0033))
    top = turbine_rad_per_m(vehicle)[1]
    assert top.value * (100.0 / 3.6) * 30.0 / pi == pytest.approx(1913.0, abs=1.0)
    assert top.sd / top.value == pytest.approx(0.01)
    assert turbine_rad_per_m(Vehicle(gear_ratios=(4.0,))) == ()


def test_full_load_from_the_best_that_is_known() -> None:
    curve = Vehicle(torque_curve=((1000.0, 100.0), (2000.0, 200.0), (4000.0, 180.0)), peak_torque_nm=900.0)
    assert engine_torque_limit(curve, 1500.0) == Known(150.0, 7.5)
    assert engine_torque_limit(curve, 9000.0) == Known(180.0, 9.0)
    peak = engine_torque_limit(Vehicle(peak_torque_nm=300.0, peak_torque_rpm=2000.0), 2000.0)
    assert peak is not None and peak.value == 300.0 and not peak.assumed
    far = engine_torque_limit(Vehicle(peak_torque_nm=300.0, peak_torque_rpm=2000.0), 700.0)
    assert far is not None and far.sd / far.value > peak.sd / peak.value
    guess = engine_torque_limit(Vehicle(displacement_l=2.0, fuel="petrol"), 2000.0)
    assert guess is not None and guess.assumed and guess.sd > 0.25 * guess.value
    assert engine_torque_limit(Vehicle(), 2000.0) is None


def test_a_low_peak_is_held_by_a_turbocharger_and_a_high_one_is_not() -> None:
    def share(peak_rpm: float, rpm: float, fuel: str = "petrol") -> float:
        vehicle = Vehicle(peak_torque_nm=300.0, peak_torque_rpm=peak_rpm, fuel=fuel)
        known = engine_torque_limit(vehicle, rpm)
        assert known is not None
        return known.value / 300.0

    assert share(1900.0, 4400.0) == pytest.approx(1.0)
    assert share(1900.0, 5500.0) < 0.9
    assert share(4000.0, 6500.0) < 0.85
    assert share(1900.0, 4000.0, "diesel") < 0.6


@pytest.mark.parametrize(
    "vehicle",
    [
        Vehicle(),
        Vehicle(fuel="diesel"),
        Vehicle(displacement_l=2.0),
        Vehicle(peak_torque_nm=300.0),
        Vehicle(stall_speed_rpm=2200.0, stall_torque_nm=250.0),
        Vehicle(curve=((0.0, 130.0, 1.9), (0.5, 145.0, 1.4), (0.9, 190.0, 1.0))),
    ],
)
def test_there_are_always_curves(vehicle: Vehicle) -> None:
    curves = curves_of(vehicle)
    assert len(curves.k) == 101 and min(curves.k_sd) > 0.0
    assert curves is curves_of(vehicle) or curves == curves_of(vehicle)


def test_the_more_is_known_the_narrower() -> None:
    nothing = curves_of(Vehicle())
    engine = curves_of(Vehicle(peak_torque_nm=300.0, peak_torque_rpm=2000.0))
    stall = curves_of(Vehicle(stall_speed_rpm=2200.0, stall_torque_nm=250.0))
    table = curves_of(Vehicle(curve=((0.0, 139.0, 1.9), (0.5, 150.0, 1.4), (0.9, 190.0, 1.0))))
    spread = [c.k_sd[0] / c.k[0] for c in (nothing, engine, stall, table)]
    assert spread == sorted(spread, reverse=True)
    assert stall.k[0] == pytest.approx(2200.0 / sqrt(250.0))
    assert "converter.stall_speed_rpm" in engine.assumed and "converter.stall_speed_rpm" not in stall.assumed
    assert table.assumed == ()


def test_given_stall_speed_without_any_torque_is_not_called_assumed() -> None:
    assert "converter.stall_speed_rpm" not in curves_of(Vehicle(stall_speed_rpm=2000.0)).assumed
    assert stall_point(Vehicle(stall_speed_rpm=2000.0)) is None


def test_a_big_diesel_is_not_taken_for_a_car() -> None:
    truck, car = usual_for(9.0, "diesel"), usual_for(2.0, "petrol")
    assert truck["mass_kg"].value > 5000.0 and "mass_kg" not in car
    assert truck["inertia_kg_m2"].value > 3.0 * car["inertia_kg_m2"].value
    assert usual_for(None, None) == {}


def test_stall_sheet() -> None:
    vehicle = Vehicle(
        stall_speed_rpm=2200.0,
        stall_torque_nm=300.0,
        displacement_l=2.2,
        fuel="diesel",
        peak_torque_nm=350.0,
        peak_torque_rpm=1800.0,
    )
    sheet = stall_sheet(vehicle, barometric_kpa=84.0)
    assert sheet.expected.rpm == pytest.approx(2200.0, abs=1.0)
    assert sheet.expected.torque_nm == pytest.approx(300.0, abs=1.0)
    ten, thirty = (stall.rpm for _, stall in sheet.weaker)
    assert sheet.lost.rpm < thirty < ten < sheet.expected.rpm
    assert sheet.charged and sheet.unboosted is not None and sheet.in_that_air is not None
    assert sheet.unboosted.rpm < sheet.in_that_air.rpm < sheet.expected.rpm
    hot = stall_sheet(vehicle, intake_c=60.0).in_that_air
    assert hot is not None and hot.rpm < sheet.expected.rpm
    stronger = Vehicle(peak_torque_nm=700.0, peak_torque_rpm=1800.0, displacement_l=3.0, fuel="diesel")
    assert behind(sheet, stronger).rpm > 1.2 * sheet.expected.rpm


def test_charged_engines_are_told_by_their_torque() -> None:
    assert is_charged(Vehicle(displacement_l=2.0, peak_torque_nm=350.0, fuel="petrol"))
    assert not is_charged(Vehicle(displacement_l=3.5, peak_torque_nm=340.0, fuel="petrol"))
    assert is_charged(Vehicle(fuel="diesel"))


def test_importing_the_vehicle_loads_no_numpy() -> None:
    code = "import sys, livemon.vehicle, livemon.vehicle_file; assert 'numpy' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
