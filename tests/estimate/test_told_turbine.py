"""Where the vehicle tells turbine and output-shaft speed: gear, clutch and slip are what they say."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise

import pytest

from livemon.estimate import Estimator
from livemon.estimate.ratios import output_rpm_per_kmh, rpm_per_kmh
from livemon.records import Estimate, Reading
from livemon.vehicle import Known, Vehicle

VEHICLE = Vehicle(
    gear_ratios=(4.15, 2.37, 1.56, 1.16, 0.86, 0.69),
    final_drive=3.4,
    tyre_radius_m=Known(0.316, 0.003),
    peak_torque_nm=240.0,
    stall_speed_rpm=2250.0,
    stall_torque_nm=215.0,
)
K, _ = rpm_per_kmh(VEHICLE)
OUT = output_rpm_per_kmh(VEHICLE)


def drive(
    seconds: float,
    kmh: Callable[[float], float],
    gear: Callable[[float], int],
    slip_rpm: Callable[[float], float],
    lockup: Callable[[float], int] | None = None,
    shaft: bool = True,
    torque_nm: Callable[[float], float] | None = lambda t: 215.0,
) -> Iterator[Reading]:
    """Everything fifty times a second, and each as true as its moment."""
    assert OUT is not None
    for i in range(round(50.0 * seconds)):
        t = 0.02 * i
        turbine = K[gear(t) - 1] * kmh(t)
        yield Reading(t, "engine_rpm", turbine + slip_rpm(t), 0.125)
        yield Reading(t + 0.001, "turbine_rpm", turbine, 0.125)
        if shaft:
            yield Reading(t + 0.002, "output_rpm", OUT * kmh(t), 0.125)
        else:
            yield Reading(t + 0.002, "vehicle_kmh", kmh(t), 0.05)
        if torque_nm is not None:
            yield Reading(t + 0.003, "engine_torque_nm", torque_nm(t), 1.0)
        if lockup is not None:
            yield Reading(t + 0.004, "lockup", lockup(t), 1.0)


def estimates(readings: Iterator[Reading]) -> list[Estimate]:
    estimator = Estimator(VEHICLE)
    items = [e for r in readings for e in estimator.feed(r)] + list(estimator.end())
    return [e for e in items if isinstance(e, Estimate)]


def test_slip_of_the_converter_is_no_other_gear() -> None:
    """Pulling off at 2300 rpm, nobody says the gear: the turbine itself runs at first gear's ratio."""

    def kmh(t: float) -> float:
        return max(0.0, 9.0 * (t - 3.0))

    seen = estimates(drive(6.5, kmh, lambda t: 1, lambda t: max(0.0, 2300.0 - K[0] * kmh(t))))
    rolling = [e for e in seen if e.time_s > 3.6]
    right = sum(e.gear == 1 for e in rolling)
    assert right > 0.95 * len(rolling)


def test_a_shaft_is_not_late() -> None:
    """At 3 m/s2 a road speed 70 ms late would be 1 to 3 % behind the turbine."""
    seen = estimates(drive(12.0, lambda t: 5.0 + 3.6 * 3.0 * t, lambda t: 2, lambda t: 150.0))
    moving = [e for e in seen if e.time_s > 2.0]
    off = [e.geared_rpm / e.turbine_rpm - 1.0 for e in moving if e.geared_rpm and e.turbine_rpm]
    assert len(off) > 400
    assert max(map(abs, off)) < 0.004


@pytest.mark.parametrize("torque", [True, False])
@pytest.mark.parametrize("told", [True, False])
def test_slip_that_passes_through_zero_closes_no_clutch(told: bool, torque: bool) -> None:
    """From pull to overrun and back, the clutch open all along."""

    def slip_rpm(t: float) -> float:
        return 300.0 * ((t / 2.0) % 2.0 - 1.0 if (t / 4.0) % 2.0 < 1.0 else 1.0 - (t / 2.0) % 2.0)

    seen = estimates(
        drive(
            20.0,
            lambda t: 60.0,
            lambda t: 3,
            slip_rpm,
            (lambda t: 0) if told else None,
            torque_nm=(lambda t: 0.5 * slip_rpm(t) + 20.0) if torque else None,
        )
    )
    settled = [e for e in seen if e.time_s > 2.0]
    assert sum(e.regime == "locked" for e in settled) < 0.02 * len(settled)
    assert sum(a.regime != b.regime for a, b in pairwise(settled)) < 25


def test_a_clutch_said_to_be_applied_may_slip_at_its_target() -> None:
    seen = estimates(drive(20.0, lambda t: 90.0, lambda t: 4, lambda t: 60.0, lambda t: int(t > 8.0)))
    assert all(e.regime == "pull" for e in seen if 3.0 < e.time_s < 7.5)
    assert all(e.regime == "locked" and e.clutch_applied for e in seen if 9.0 < e.time_s < 19.0)


def test_a_clutch_that_says_nothing_is_closed_where_both_turn_as_one() -> None:
    seen = estimates(drive(20.0, lambda t: 90.0, lambda t: 4, lambda t: 160.0 if t < 8.0 else 4.0))
    assert all(e.regime == "pull" for e in seen if 3.0 < e.time_s < 7.5)
    assert all(e.regime == "locked" and e.clutch_applied is None for e in seen if 9.0 < e.time_s < 19.0)


def test_an_engine_that_is_off_has_no_torque() -> None:
    """What its control still says is not torque that nothing comes of."""
    seen = estimates(drive(6.0, lambda t: 30.0, lambda t: 3, lambda t: -K[2] * 30.0 + 120.0))
    assert all(e.engine_torque_nm is None for e in seen if e.engine_rpm < 400.0)


def test_a_turbine_that_stands_in_a_rolling_car_is_not_believed() -> None:
    """A signal stuck at nothing, or another signal under its name."""
    stuck = (
        reading._replace(value=0.0) if reading.quantity == "turbine_rpm" else reading
        for reading in drive(15.0, lambda t: 60.0, lambda t: 4, lambda t: 10.0)
    )
    seen = [e for e in estimates(stuck) if e.time_s > 5.0]
    assert all(e.turbine_source == "ratios" for e in seen)
    assert all(e.speed_ratio is not None and e.speed_ratio > 0.9 for e in seen)


def test_a_turbine_that_stands_in_a_vehicle_that_rolls_is_a_sensor_that_fails() -> None:
    """Creeping at 9 km/h it drops to zero for half a second: no stalled converter, and nothing breaks."""
    readings = drive(30.0, lambda t: min(9.0, 2.0 * t), lambda t: 1, lambda t: 120.0)
    failing = (
        r._replace(value=0.0)
        if r.quantity == "turbine_rpm" and r.time_s > 10.0 and r.time_s % 3.5 < 0.5
        else r
        for r in readings
    )
    seen = [e for e in estimates(failing) if e.time_s > 10.0]
    told = sum(e.turbine_rpm is not None and e.turbine_rpm < 100.0 for e in seen)
    assert len(seen) > 900 and told <= 6  # once a drop, between the last zero and the next speed


def test_rolling_in_neutral_is_seen_by_an_engine_that_idles_far_below_top_gear() -> None:
    """No box can be in gear at 90 km/h with the engine at 700 rpm: its turbine turns with the engine then."""
    estimator, found = Estimator(VEHICLE), list[Estimate]()
    for i in range(2000):
        t = 0.02 * i
        rolls = 15.0 < t < 28.0
        turbine = K[5] * 90.0
        engine = 700.0 if rolls else turbine + 20.0
        for reading in (Reading(t, "engine_rpm", engine, 0.25), Reading(t + 0.001, "vehicle_kmh", 90.0, 1.0)):
            found += [e for e in estimator.feed(reading) if isinstance(e, Estimate)]
    free = [e for e in found if 17.0 < e.time_s < 27.0]
    assert all(e.regime == "neutral" and e.gear is None for e in free)
    assert all(abs((e.turbine_rpm or 0.0) - 695.0) < 30.0 for e in free)
    assert all(e.regime != "neutral" for e in found if e.time_s > 30.0 or 3.0 < e.time_s < 14.0)


def test_rolling_in_neutral_is_seen_where_gears_were_found() -> None:
    estimator, found = Estimator(Vehicle()), list[Estimate]()
    for i in range(9000):
        t = 0.05 * i
        rolls = t > 400.0
        v = 120.0 if rolls else 30.0 + 90.0 * abs((t / 50.0) % 2.0 - 1.0)
        gear = 44.0 if v < 50.0 else 31.0 if v < 70.0 else 24.0
        engine = 700.0 if rolls else gear * v
        for reading in (
            Reading(t, "engine_rpm", engine, 0.25),
            Reading(t + 0.001, "vehicle_kmh", float(int(v)), 1.0),
        ):
            found += [e for e in estimator.feed(reading) if isinstance(e, Estimate)]
    assert len(estimator.found_rpm_per_kmh) == 3
    free = [e for e in found if e.time_s > 405.0]
    assert free and all(e.regime == "neutral" and e.gear is None for e in free)
    assert all(abs((e.turbine_rpm or 0.0) - 695.0) < 30.0 for e in free)
    assert all(e.regime != "neutral" for e in found if 200.0 < e.time_s < 395.0)
