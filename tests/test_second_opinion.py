"""A few short drives of a simulator that shares nothing with livemon's own: no error, no sure wrong call.

The whole campaign, with figures, is tests/campaigns/second_opinion (see its README).
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(scope="module")
def campaign() -> Any:
    root = str(Path(__file__).resolve().parents[1])
    sys.path.insert(0, root)
    try:
        yield importlib.import_module("tests.campaigns.second_opinion.campaign")
    finally:
        sys.path.remove(root)


@pytest.mark.parametrize(
    ("number", "kind", "fault"),
    [
        (0, "converter", "none"),
        (1, "converter", "stator_not_holding"),
        (2, "converter", "lockup_shudder"),
        (3, "converter", "engine_low_output"),
        (4, "manual", "none"),
        (5, "dual_clutch", "none"),
    ],
)
def test_no_sure_wrong_call(campaign: Any, number: int, kind: str, fault: str) -> None:
    drive = campaign.run_one(2026, number, fault=fault, kind=kind, seconds=75.0)
    call = drive.result["call"]
    assert drive.result["recording"]["readings"] > 200
    assert sum(drive.result["probabilities"].values()) == pytest.approx(1.0)
    assert not (drive.wrong and call["probability"] >= 0.8), call
    if kind != "converter":
        assert call["finding"] not in campaign.cars.CONVERTER_FAULTS


def test_same_seed_same_drive(campaign: Any) -> None:
    first, again = (campaign.run_one(7, 3, seconds=40.0) for _ in range(2))
    assert first.history.engine_rpm == again.history.engine_rpm
    assert first.result == again.result


def test_simulated_stall_is_the_tables(campaign: Any) -> None:
    """Held on the brake at full pedal, the vehicle's stall speed is where engine and table cross."""
    cars, vehicle = campaign.cars, importlib.import_module("tests.campaigns.second_opinion.vehicle")
    random = importlib.import_module("random").Random(5)
    car = cars.draw(random, "none", "converter")

    def held(seen: Any, dt: float) -> tuple[float, float]:
        return 1.0, 1e6

    history = vehicle.drive(car, held, 20.0, random)
    made = max(torque for _, torque in car.full_load) / max(torque for _, torque in car.rated)
    pump_nm = history.moments[-1].brake_nm - car.accessories_nm
    assert history.turbine_rpm[-1] == pytest.approx(0.0, abs=5.0)
    assert history.engine_rpm[-1] == pytest.approx(car.k0 * pump_nm**0.5, rel=0.01)
    assert history.engine_rpm[-1] == pytest.approx(cars.stall_rpm(car) * made**0.5, rel=0.04)
