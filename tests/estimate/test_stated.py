"""The gear a vehicle states: believed however often it is said, not against speeds and torque."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

from livemon.estimate import Estimator
from livemon.estimate.stated import Stated
from livemon.obd.decode import Decoder
from livemon.records import Estimate, Reading
from livemon.simulate.fast import Drive, drive
from livemon.simulate.scenario import draw
from livemon.vehicle_file import parse

LOOSE = ("lockup_never_applied", 1)  # a van that slips by a thousand rpm in cruise, its clutch never on
USUAL = ("none", 3)
Which = tuple[str, int]
SECONDS = 160.0


@cache
def driven(which: Which) -> tuple[list[Reading], Drive, str]:
    """Readings but for the gear, the drive with its truth, vehicle file."""
    scenario = draw(*which, SECONDS, style="demonstration", torque="reported", readings_per_s=30.0)
    moving, decoder, readings = drive(scenario, keep_truth=True), Decoder(), list[Reading]()
    for frame in moving:
        readings += [r for r in decoder.feed(frame) if not r.quantity.startswith("gear")]
    text = scenario.vehicle_file_text()
    assert "gear_ratios" in text
    return readings, moving, text


def wrong(which: Which, period_s: float, quantity: str, say: Callable[[int], float]) -> float:
    """Share of moving estimates, shifts left out, with another gear than the true one.

    say: what the vehicle makes of the gear that is in.
    """
    readings, moving, text = driven(which)
    times = [period_s * i for i in range(int(SECONDS / period_s))]
    said = [Reading(t, quantity, say(moving.truth_at(t).gear)) for t in times]
    estimator, estimates = Estimator(parse(text, "the vehicle")), list[Estimate]()
    for reading in sorted([*readings, *said]):
        estimates += [e for e in estimator.feed(reading) if isinstance(e, Estimate)]
    counted = [
        e.gear != t.gear
        for e in estimates
        if e.gear and not (t := moving.truth_at(e.time_s)).shifting and t.road_kmh > 15.0 and t.pedal > 0.05
    ]
    assert len(counted) > 500
    return sum(counted) / len(counted)


@pytest.mark.parametrize("period_s", (0.02, 0.1, 0.5))
def test_a_stated_gear_is_heard_however_often_it_is_said(period_s: float) -> None:
    ratios = parse(driven(LOOSE)[2], "the vehicle").gear_ratios
    assert wrong(LOOSE, period_s, "gear", float) < 0.06
    assert wrong(LOOSE, period_s, "gear_ratio", lambda gear: ratios[gear - 1]) < 0.06


@pytest.mark.parametrize("say", (lambda g: g + 1.0, lambda g: max(1.0, g - 1.0), lambda _: 1.0))
def test_a_vehicle_that_counts_otherwise_does_little_harm(say: Callable[[int], float]) -> None:
    untold = wrong(USUAL, 1000.0, "gear", float)
    assert untold < 0.05
    assert wrong(USUAL, 0.1, "gear", say) < untold + 0.05


def test_what_was_contradicted_is_believed_less_and_no_worse_than_nothing() -> None:
    stated, weights = Stated(()), []
    for i in range(600):
        stated.add(0.5 * i, 3)
        said = stated.at(0.5 * i)
        assert said is not None and said[0] == 3
        weights.append(said[1])
        stated.judge(False, 0.99)
    assert weights[1] < 0.1 < 0.3 < weights[-1] <= 1.0
    assert weights == sorted(weights)


def test_neutral_is_not_taken_for_the_gear_its_ratio_belongs_to() -> None:
    stated = Stated((2.8, 1.5, 1.0))
    stated.add(1.0, 0)
    stated.add_ratio(1.0, 2.8)
    said = stated.at(1.0)
    assert said is not None and said[0] == 0
    stated.add_ratio(2.0, 1.52)
    stated.add_ratio(3.0, 1.25)
    said = stated.at(3.0)
    assert said is not None and said[0] == 2


def standing(in_gear: Callable[[float], float] | None, seconds: float = 90.0) -> list[Estimate]:
    """Of an engine that idles where it stands; in_gear: what the vehicle says of its selector."""
    estimator, estimates = Estimator(parse(driven(USUAL)[2], "the vehicle")), list[Estimate]()
    for i in range(int(10.0 * seconds)):
        t = 0.1 * i
        readings = [Reading(t, "engine_rpm", 800.0), Reading(t + 0.03, "vehicle_kmh", 0.0, 1.0)]
        if in_gear is not None:
            readings.append(Reading(t + 0.06, "in_gear", in_gear(t)))
        for reading in readings:
            estimates += [e for e in estimator.feed(reading) if isinstance(e, Estimate)]
    return estimates


def test_a_selector_in_neutral_is_believed_where_it_stands() -> None:
    """PID 65 [sae-j1979]. A box that is in gear may let go at a stop all the same: that says nothing."""
    said = standing(lambda t: float(t < 5.0 or t > 60.0))
    assert all(e.regime == "neutral" for e in said if 10.0 < e.time_s < 55.0)
    untold, in_gear = standing(None), standing(lambda _: 1.0)
    assert [e.regime for e in in_gear] == [e.regime for e in untold]


def test_a_selector_that_never_says_anything_else_is_not_believed() -> None:
    assert [e.regime for e in standing(lambda _: 0.0)] == [e.regime for e in standing(None)]
