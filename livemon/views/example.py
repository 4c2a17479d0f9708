"""One built-in snapshot and drive: an invented van whose stator does not hold. For demos and tests."""

from __future__ import annotations

from math import exp, sin
from typing import Final

from livemon import records
from livemon.converter.curves import at
from livemon.records import Call, Estimate, Finding, Oscillation, Stretch
from livemon.vehicle import Known, Vehicle, curves_of
from livemon.views.snapshot import Drive, Marker, Point, Rate, SlipSpan, Snapshot

VEHICLE: Final = Vehicle(
    name="Works van 7",
    mass_kg=Known(1850.0, 120.0),
    stall_speed_rpm=2100.0,
    stall_torque_nm=190.0,
    stall_torque_ratio=2.0,
    coupling_speed_ratio=0.88,
)
ESTIMATE: Final = Estimate(
    62.4, 1545.25, "launch", 740.4, 11.0, 804.8, 11.0, 0.479, 0.007, gear=1, gear_probability=0.99,
    road_speed_m_s=2.1, engine_torque_nm=188.0, pump_torque_nm=181.5, pump_torque_sd_nm=6.0,
    capacity_rpm_per_sqrt_nm=114.7, torque_ratio=1.04, torque_ratio_sd=0.08, torque_source="reported",
    pedal_pct=31.0,
)  # fmt: skip
WARNING: Final = records.Warning(
    61.6, "stator_not_holding",
    "The stator does not hold: torque ratio 1.04 at launch where 1.51 is expected, engine speed 26 % low.",
    True, 0.93,
)  # fmt: skip
CALL: Final = Call(
    "stator_not_holding", 0.93, "inside_transmission",
    ["At launch the torque ratio was 1.04 ± 0.08 where 1.51 is expected at that speed ratio."],
    ["No launch above half pedal was driven."],
    ["Check the fluid's level and condition."],
)  # fmt: skip


def _slip() -> list[SlipSpan]:
    """Locked cruise, coast to a stop, standing in gear, then a launch."""
    spans = []
    for i in range(250):
        t = i * 0.25
        mean = 14.0 + 8.0 * sin(t) if t < 24.0 else -90.0 if t < 40.0 else 620.0 if t < 58.5 else 810.0
        spans.append(SlipSpan(t, mean - 9.0, mean + 9.0, mean, t < 24.0))
    return spans


def snapshot() -> Snapshot:
    """The van in its second launch, seen a second after the warning."""
    curves = curves_of(VEHICLE)
    ratios = [1.0 - exp(-0.05 * i) for i in range(14)]
    return Snapshot(
        time_s=62.4,
        source="van7.log",
        vehicle=VEHICLE,
        curves=curves,
        estimate=ESTIMATE,
        slip=_slip(),
        points=[
            Point(58.8 + i / 4, sr, at(curves.k_lost, sr) * (1.0 + 0.02 * sin(9.0 * i)), 2.0,
                  1.0 + 0.05 * sin(5.0 * i), 0.08, "launch")
            for i, sr in enumerate(ratios)
        ] + [Point(62.3, 0.479, 114.7, 1.9, 1.04, 0.08, "launch", 0.007)],
        shake=Oscillation(61.9, 9.0, 6.0, 0.4, 9.0, 5.0, True),
        coolant_c=88.0,
        warnings=[WARNING],
        standing={"stator_not_holding": 0.93, "none": 0.05, "engine_low_output": 0.02},
        launches=2,
        rates=[
            Rate("engine_rpm", 18.2, 0.05), Rate("vehicle_kmh", 9.1, 0.1),
            Rate("engine_torque_pct", 9.1, 0.1), Rate("pedal_pct", 2.0, 0.3),
        ],
        counters={"frames": 4210, "late_answers": 2},
        cannot_judge=["engine below its rating: the vehicle file gives no torque rating"],
        still_to_drive=[
            "a pull from 60 km/h, clutch kept locked",
            "a coast-down in D, 60 to 20 km/h, no brakes",
            "two minutes' level cruise at 80-100 km/h",
        ],
        markers=[Marker(30.0, "marked at 62 km/h, pedal 25 %")],
    )  # fmt: skip


def drive() -> Drive:
    """The same drive when it has ended."""
    now = snapshot()
    return Drive(
        "van7.log", 4210, 2100, 124.5, VEHICLE, CALL, now.standing,
        findings=[Finding("stator_not_holding", 58.0, 64.0, {"torque_ratio": 1.04, "samples": 61})],
        launches=[Stretch(58.0, 64.0, "launch", 1, 61, -0.18, 0.04, -0.55, 0.08, {"pedal_pct": 31.0})],
        lockup={"locked_s": 24.0, "slip_rpm": 14.0},
        counters=now.counters,
        curves=now.curves,
        warnings=now.warnings,
        cannot_judge=now.cannot_judge,
        codes={"stored": {"P0741": "Torque converter clutch circuit performance or stuck off"}},
        markers=now.markers,
        slip=now.slip,
        points=now.points,
        shakes=[Oscillation(2.0 * i, 8.4 - 0.4 * i, 4.0 + sin(i), 0.4, 9.0, 5.0, True) for i in range(12)],
        regime_s={"locked": 24.0, "coast": 16.0, "stationary_in_gear": 18.5, "launch": 6.0},
        heat_peak_kw=16.9,
        heat_kj=74.0,
        rates=now.rates,
    )  # fmt: skip
