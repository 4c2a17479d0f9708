"""What follows from a vehicle's numbers: turbine turns per metre, full load, curves."""

from __future__ import annotations

import subprocess
import sys
from math import pi, sqrt

import pytest

from livemon.converter.stall import Stall
from livemon.vehicle import (
    Known,
    Vehicle,
    curves_of,
    engine_torque_limit,
    road_force,
    rotating_share,
    stall_point,
    turbine_rad_per_m,
)
from livemon.vehicle_file import usual_for
from livemon.vehicle_stall import StallSheet, is_charged, stall_sheet


def test_turbine_turns_per_metre() -> None:
    """At 100 km/h in a 0.7 gear on 3.4 and a 0.33 m wheel: 100/3.6/0.33 x 2.38 rad/s."""
    vehicle = Vehicle(gear_ratios=(4.0, 0.7), final_drive=3.4, tyre_radius_m=Known(0.33, 0.0033))
    top = turbine_rad_per_m(vehicle)[1]
    assert top.value * (100.0 / 3.6) * 30.0 / pi == pytest.approx(1913.0, abs=1.0)
    assert top.sd / top.value == pytest.approx(0.01)
    assert turbine_rad_per_m(Vehicle(gear_ratios=(4.0,))) == ()


def test_force_on_the_road() -> None:
    """1500 kg at 72 km/h and 1 m/s2, worked out by hand: 1500 x 9.80665 x 0.01, 0.6 x 0.7 x 20^2, and
    1500 x 1.035 with 0.06 x 20^2 kg at the wheels that turn with the turbine."""
    vehicle = Vehicle(
        mass_kg=Known(1500.0, 0.0), drag_area_m2=Known(0.7, 0.0), rolling_resistance=Known(0.01, 0.0)
    )
    force = road_force(vehicle, 20.0, 1.0, 20.0)
    assert force == pytest.approx((147.1, 168.0, 1576.5), abs=0.01)
    assert road_force(vehicle, 20.0, 1.0, None)[2] == pytest.approx(1552.5)
    assert rotating_share(vehicle, 45.0) > 2.0 * rotating_share(vehicle, None)  # first gear


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
    sheet = stall_sheet(vehicle)
    assert sheet.expected.rpm == pytest.approx(2200.0, abs=1.0)
    assert sheet.expected.torque_nm == pytest.approx(300.0, abs=1.0)
    ten, thirty = (stall.rpm for _, stall in sheet.weaker)
    assert sheet.lost.rpm < thirty < ten < sheet.expected.rpm
    assert sheet.charged and sheet.unboosted is not None
    assert sheet.unboosted.rpm < sheet.expected.rpm
    assert stall_sheet(vehicle, intake_c=60.0).expected.rpm < sheet.expected.rpm
    stronger = Vehicle(peak_torque_nm=700.0, peak_torque_rpm=1800.0, displacement_l=3.0, fuel="diesel")
    assert stall_sheet(vehicle, engine=stronger).expected.rpm > 1.2 * sheet.expected.rpm


def test_every_stall_is_of_the_engine_and_air_asked_for() -> None:
    """Flat torque, not charged: by the square law every stall falls by the root of the torque lost."""
    flat = ((500.0, 300.0), (7000.0, 300.0))
    vehicle = Vehicle(stall_speed_rpm=2200.0, stall_torque_nm=300.0, displacement_l=4.0, torque_curve=flat)
    normal = stall_sheet(vehicle)
    thin = stall_sheet(vehicle, barometric_kpa=70.0)
    half = Vehicle(displacement_l=4.0, torque_curve=tuple((rpm, 0.5 * nm) for rpm, nm in flat))
    swapped = stall_sheet(vehicle, engine=half)
    both = stall_sheet(vehicle, barometric_kpa=70.0, engine=half)
    for sheet, share in ((thin, thin.air_share), (swapped, 0.5), (both, 0.5 * thin.air_share)):
        assert sheet.as_built == normal.as_built
        assert sheet.full_load(2000.0)[0] == pytest.approx(300.0 * share)
        pairs = zip(_stalls(sheet), _stalls(normal), strict=True)
        for here, there in pairs:
            assert here.rpm / there.rpm == pytest.approx(share**0.5, rel=1e-3)
            assert here.sd_rpm / here.rpm > there.sd_rpm / there.rpm
    assert thin.air_share == pytest.approx((70.0 / 99.0) ** 1.2, rel=1e-3)


def _stalls(sheet: StallSheet) -> list[Stall]:
    return [sheet.expected, sheet.lost, *(stall for _, stall in sheet.weaker)]


def test_the_turbocharger_of_the_engine_that_is_in_it_counts() -> None:
    aspirated = Vehicle(stall_speed_rpm=2200.0, displacement_l=4.0, fuel="petrol", peak_torque_nm=380.0)
    charged = Vehicle(displacement_l=2.0, fuel="petrol", peak_torque_nm=380.0, peak_torque_rpm=2000.0)
    assert stall_sheet(aspirated).unboosted is None
    low, high = (stall_sheet(aspirated, kpa, engine=charged) for kpa in (99.0, 70.0))
    assert low.unboosted is not None and high.unboosted is not None
    assert high.unboosted.rpm < low.unboosted.rpm < low.expected.rpm


def test_charged_engines_are_told_by_their_torque() -> None:
    assert is_charged(Vehicle(displacement_l=2.0, peak_torque_nm=350.0, fuel="petrol"))
    assert not is_charged(Vehicle(displacement_l=3.5, peak_torque_nm=340.0, fuel="petrol"))
    assert is_charged(Vehicle(fuel="diesel"))


def test_importing_the_vehicle_loads_no_numpy() -> None:
    code = "import sys, livemon.vehicle, livemon.vehicle_file; assert 'numpy' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
