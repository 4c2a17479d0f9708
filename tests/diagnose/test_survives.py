"""From readings to the call, through what ends a program: an engine that stops, a clock that is set back."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from math import pi, sin
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import VEHICLE  # it lies beside this file

from livemon.diagnose.diagnoser import Diagnoser
from livemon.estimate import Estimator
from livemon.records import Reading

FOURTH_RPM_PER_KMH = 1.16 * 3.4 / 0.316 / 3.6 * 30.0 / pi


def judged(readings: Iterator[Reading]) -> Diagnoser:
    estimator, diagnoser = Estimator(VEHICLE), Diagnoser(VEHICLE)
    for reading in readings:
        for item in estimator.feed(reading):
            diagnoser.feed(item)
    for item in estimator.end():
        diagnoser.feed(item)
    diagnoser.end()
    return diagnoser


def engine_stops_while_rolling(left_rpm: float) -> Iterator[Reading]:
    """From 8 s on, within a second; it stands at 12 s. Its turbine speed is broadcast.

    The torque signal of an engine that is switched off may say anything.
    """
    for i in range(300):
        t = 0.05 * i
        rpm = max(left_rpm, 800.0 * min(1.0, 9.0 - t))
        yield Reading(t, "engine_rpm", round(rpm * 4.0) / 4.0, 0.25)
        yield Reading(t + 0.001, "turbine_rpm", round(0.994 * rpm))
        yield Reading(t + 0.002, "vehicle_kmh", 8.0 if t < 12.0 else 0.0, 0.01)
        yield Reading(t + 0.003, "engine_torque_nm", 25.0 if t < 8.0 else 110.0)


def cruise(start_s: float, seconds: float) -> Iterator[Reading]:
    """Fourth gear, clutch on."""
    for i in range(round(20.0 * seconds)):
        t = start_s + 0.05 * i
        kmh = 90.0 + 5.0 * sin(0.1 * i)
        yield Reading(t, "engine_rpm", FOURTH_RPM_PER_KMH * kmh, 0.25)
        yield Reading(t + 0.001, "vehicle_kmh", kmh, 0.01)
        yield Reading(t + 0.002, "engine_torque_nm", 80.0 + 30.0 * sin(0.1 * i))


@pytest.mark.parametrize("left_rpm", [0.0, 64.0])
def test_an_engine_that_stops_while_rolling_ends_nothing(left_rpm: float) -> None:
    """Slip of an engine that does not run is not known, whatever the ratios of the file say."""
    diagnoser = judged(engine_stops_while_rolling(left_rpm))
    assert diagnoser.call().finding == "not_enough_evidence"


def test_a_clock_set_back_in_a_cruise_ends_nothing() -> None:
    """No window reaches over it: one of less than no time would age everything backwards."""

    def readings() -> Iterator[Reading]:
        yield from cruise(5000.0, 30.0)
        yield from cruise(1400.0, 30.0)

    diagnoser = judged(readings())
    assert diagnoser.presence.locked_s == pytest.approx(60.0, abs=5.0)
    assert diagnoser.call().finding in ("none", "not_enough_evidence")
