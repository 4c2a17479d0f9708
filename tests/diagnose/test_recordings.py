"""A real car with a friction clutch, polled slowly: nothing about a converter may be concluded."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from livemon.diagnose.diagnoser import Diagnoser
from livemon.estimate import Estimator
from livemon.obd.decode import Decoder
from livemon.records import INSIDE, Warning
from livemon.sources.recording import open_recording
from livemon.vehicle import Known, Vehicle

SHARED = Path(os.environ.get("LIVEMON_SHARED", Path(__file__).parents[3] / "shared")) / "data" / "recordings"
RECORDING = SHARED / "clutch_car_obd.log"
# Numbers of a car with a converter, as somebody might give them by mistake.
WRONG_FILE = Vehicle(
    gear_ratios=(3.8, 2.1, 1.4, 1.03, 0.84, 0.69),
    final_drive=3.4,
    tyre_radius_m=Known(0.32, 0.005),
    displacement_l=2.0,
    fuel="diesel",
    peak_torque_nm=320.0,
    peak_torque_rpm=1900.0,
    stall_speed_rpm=2100.0,
    stall_torque_ratio=1.9,
)


@pytest.mark.skipif(not RECORDING.exists(), reason="needs the shared recordings")
@pytest.mark.parametrize("vehicle", [Vehicle(), replace(WRONG_FILE), replace(WRONG_FILE, gear_ratios=())])
def test_clutch_car_has_no_fault_inside(vehicle: Vehicle) -> None:
    decoder, estimator, diagnoser = Decoder(), Estimator(vehicle), Diagnoser(vehicle)
    start_s: float | None = None
    warnings: list[Warning] = []
    for frame in open_recording(RECORDING):
        start_s = frame.time_s if start_s is None else start_s
        for reading in decoder.feed(frame._replace(time_s=frame.time_s - start_s)):
            for item in estimator.feed(reading):
                warnings += diagnoser.feed(item)
    for item in estimator.end():
        warnings += diagnoser.feed(item)
    warnings += diagnoser.end()
    call, standing = diagnoser.call(), diagnoser.standing()
    assert call.where != "inside_transmission", (call, diagnoser.evidence())
    assert not any(w.raised and w.finding in INSIDE for w in warnings)
    assert max(standing[name] for name in INSIDE) < 0.3
