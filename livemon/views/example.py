"""One built-in snapshot and drive: an invented van whose stator does not hold. For demos and tests."""

from __future__ import annotations

from livemon import records
from livemon.records import Call, Estimate, Finding, Launch, Oscillation
from livemon.vehicle import Known, Vehicle
from livemon.views.snapshot import Drive, Marker, Point, Rate, SlipSpan, Snapshot

ESTIMATE = Estimate(
    62.4, 2345.25, "launch", 1120.4, 21.0, 1224.8, 21.0, 0.478, 0.009, gear=1, gear_probability=0.99,
    road_speed_m_s=4.2, engine_torque_nm=182.0, pump_torque_nm=171.5, pump_torque_sd_nm=6.0,
    capacity_rpm_per_sqrt_nm=179.1, torque_ratio=1.04, torque_ratio_sd=0.08, torque_source="reported",
)  # fmt: skip
WARNING = records.Warning(61.0, "stator_not_holding", "", True, 0.93)
VEHICLE = Vehicle(name="Works van 7", mass_kg=Known(1850.0, 120.0))
CALL = Call(
    "stator_not_holding", 0.93, "inside_transmission",
    ["At launch the torque ratio was 1.04 ± 0.08 where 1.74 is expected."],
    ["No launch above half pedal was driven."],
    ["Check the fluid's level and condition."],
)  # fmt: skip


def snapshot() -> Snapshot:
    return Snapshot(
        time_s=62.4,
        source="van7.log",
        vehicle=VEHICLE,
        estimate=ESTIMATE,
        slip=[SlipSpan(i * 0.25, i, 2.0 * i + 30.0, 1.5 * i, False) for i in range(240)],
        points=[Point(60.0 + i / 10, i / 20, 178.0, 1.05, 0.1, "launch") for i in range(16)],
        shake=Oscillation(62.0, 9.0, 12.0, 0.4, 14.0, 5.0, True),
        warnings=[WARNING],
        standing={"stator_not_holding": 0.93, "none": 0.05, "engine_low_output": 0.02},
        launches=2,
        rates=[Rate("engine_rpm", 18.2, 0.05), Rate("vehicle_kmh", 9.1, 0.1)],
        counters={"frames": 4210, "late_answers": 2},
        cannot_judge=["lockup slip: no locked stretch was driven"],
        markers=[Marker(30.0, "here it shook")],
    )


def drive() -> Drive:
    return Drive(
        "van7.log", 4210, 2100, 124.5, VEHICLE, CALL,
        {"stator_not_holding": 0.93, "none": 0.05, "engine_low_output": 0.02},
        findings=[Finding("stator_not_holding", 58.0, 64.0, {"torque_ratio": 1.04, "samples": 61})],
        launches=[Launch(58.0, 64.0, 61, -0.18, 0.04, -0.55, 0.08, {"pedal_pct": 31.0})],
        lockup={"locked_s": 41.0, "slip_rpm": 3.0},
        counters={"frames": 4210},
        warnings=[WARNING],
        cannot_judge=["lockup slip: no locked stretch was driven"],
        codes={"stored": {"P0741": "Torque converter clutch circuit performance or stuck off"}},
    )  # fmt: skip
