"""What `livemon survey` says can be judged on a vehicle, from what it answers and its file."""

from __future__ import annotations

from dataclasses import replace

import pytest

from livemon.commands.survey_scope import scopes, to_set, torque_source
from livemon.vehicle import Known, Vehicle

FILE = Vehicle(
    mass_kg=Known(1500.0, 50.0),
    gear_ratios=(3.7, 2.1, 1.4, 1.0),
    final_drive=3.9,
    tyre_radius_m=Known(0.31, 0.005),
    stall_speed_rpm=2100.0,
    peak_torque_nm=240.0,
)


SPEEDS = {"engine_rpm", "vehicle_kmh"}


REPORTED = {*SPEEDS, "engine_torque_pct", "reference_torque_nm", "pedal_pct"}


@pytest.mark.parametrize(
    ("answered", "per_s", "vehicle", "expected"),
    [
        (REPORTED, 60.0, FILE, {"yes"}),
        ({"vehicle_kmh"}, 0.0, FILE, {"no"}),
        ({"engine_rpm", "turbine_rpm"}, 100.0, Vehicle(), {"yes", "partly", "no"}),
    ],
)
def test_reach_of_all_findings(
    answered: set[str], per_s: float, vehicle: Vehicle, expected: set[str]
) -> None:
    got = scopes(answered, per_s, vehicle)
    assert len({scope.finding for scope in got}) == len(got) == 8
    assert {scope.reach for scope in got} == expected


@pytest.mark.parametrize(
    ("answered", "vehicle", "source"),
    [
        (REPORTED, Vehicle(), "reported torque"),
        ({"engine_torque_pct", "air_flow_g_s"}, Vehicle(), "air flow"),  # no reference torque
        ({"air_flow_g_s"}, Vehicle(fuel="diesel"), ""),
        ({"fuel_rate_l_h"}, Vehicle(fuel="diesel"), "fuel rate"),
        ({"absolute_load_pct"}, Vehicle(), ""),
        ({"absolute_load_pct"}, Vehicle(displacement_l=2.0), "absolute load"),
        ({"calculated_load_pct"}, Vehicle(peak_torque_nm=300.0), ""),
        (
            {"calculated_load_pct"},
            Vehicle(torque_curve=((1000.0, 150.0), (4000.0, 300.0))),
            "calculated load",
        ),
        (SPEEDS, Vehicle(), ""),
    ],
)
def test_where_torque_comes_from(answered: set[str], vehicle: Vehicle, source: str) -> None:
    assert torque_source(answered, vehicle) == source
    reach = {scope.finding: scope.reach for scope in scopes(answered | SPEEDS, 60.0, vehicle)}
    assert (reach["engine_low_output"] == "no") == (source == "")


@pytest.mark.parametrize(("fuel", "pedal"), [("petrol", True), ("diesel", False), (None, False)])
def test_a_throttle_is_a_pedal_only_where_the_estimator_takes_it_for_one(
    fuel: str | None, pedal: bool
) -> None:
    answered = {*SPEEDS, "engine_torque_nm", "throttle_pct", "relative_throttle_pct"}
    found = {scope.finding: scope for scope in scopes(answered, 60.0, replace(FILE, fuel=fuel))}
    assert ("no pedal" in found["engine_low_output"].why) != pedal


@pytest.mark.parametrize(("per_s", "reach"), [(5.0, "no"), (9.9, "no"), (20.0, "partly"), (50.0, "yes")])
def test_shudder_needs_a_rate_that_can_see_it(per_s: float, reach: str) -> None:
    found = {scope.finding: scope.reach for scope in scopes(REPORTED, per_s, FILE)}
    assert found["lockup_shudder"] == reach


def test_what_to_set_names_only_what_is_missing() -> None:
    assert to_set(FILE, given=True, slow=False, baud_found=False) == [
        "in the vehicle file: converter.stall_torque_ratio, engine.displacement_l, engine.fuel"
    ]
