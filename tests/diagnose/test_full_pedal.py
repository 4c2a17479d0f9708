"""What the engine reports at full pedal, and at part of it, against its rating."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import replace
from math import log
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import VEHICLE  # it lies beside this file

from livemon.diagnose.full_pedal import FullPedal
from livemon.diagnose.windows import Window, WindowMaker
from livemon.records import Estimate
from livemon.vehicle import Vehicle

ENGINE = Vehicle(peak_torque_nm=250.0, peak_torque_rpm=3500.0, displacement_l=2.0, fuel="petrol")
SLOWER = Vehicle(peak_torque_nm=300.0, peak_torque_rpm=3000.0, displacement_l=2.0, fuel="petrol")


def window(start_s: float, pedal_pct: float, torque_nm: float, rpm: float) -> Window:
    """1.6 s of a pull."""
    maker = WindowMaker()
    maker.feed(
        Estimate(0.0, rpm, "pull", engine_torque_nm=torque_nm, pump_torque_nm=torque_nm, pedal_pct=pedal_pct)
    )
    done = maker.end()
    assert done is not None
    return replace(done, start_s=start_s, end_s=start_s + 1.6)


def driven(vehicle: Vehicle, moments: Iterable[tuple[float, float, float]]) -> FullPedal:
    """After a window of each (pedal [%], torque [N m], engine speed [rpm]); the foot is off in the first."""
    pedal = FullPedal(vehicle)
    for i, (pedal_pct, torque_nm, rpm) in enumerate(moments):
        pedal.feed(window(2.0 * i, 0.0 if i == 0 else pedal_pct, torque_nm, rpm))
    return pedal


@pytest.mark.parametrize(("share", "weak"), [(1.0, False), (0.93, False), (0.6, True), (0.4, True)])
def test_full_pedal_torque_against_rating(share: float, weak: bool) -> None:
    pedal = driven(VEHICLE, [(100.0, share * 240.0, 3500.0)] * 10)
    assert (pedal.log_evidence > 2.0) == weak
    if not weak:
        assert pedal.log_evidence < 0.0


def test_altitude_excuses_part_of_the_torque() -> None:
    low, high = (driven(VEHICLE, [(100.0, 0.75 * 240.0, 3500.0)] * 10) for _ in range(2))
    high.barometer(78.0)  # about 2100 m
    assert high.log_evidence < low.log_evidence


def test_full_pedal_is_judged_where_the_rating_is_known_best() -> None:
    """Far from peak speed the rating is a guess, and must not excuse the engine."""
    pedal = driven(ENGINE, [(100.0, 125.0, 3500.0)] * 4 + [(100.0, 150.0, 6500.0)] * 4)
    best = pedal.best
    assert best is not None and best[0].rpm == 3500.0
    assert pedal.log_evidence > 2.0


def test_most_of_the_pedal_where_the_rating_is_known_tells_more_than_all_of_it_where_it_is_not() -> None:
    """An engine that gives six tenths at peak speed is not excused by a guess far above it."""
    pedal = driven(SLOWER, [(86.0, 180.0, 3000.0)] * 5 + [(100.0, 150.0, 6300.0)] * 5)
    best = pedal.best
    assert best is not None and best[0].rpm == 3000.0
    assert pedal.log_evidence > 1.0


@pytest.mark.parametrize(("share", "gain"), [(1.35, log(0.97 / 1.35)), (0.97, 0.0), (0.6, None)])
def test_full_pedal_tells_what_the_torque_signal_is_off_by(share: float, gain: float | None) -> None:
    pedal = driven(ENGINE, [(100.0, share * 250.0, 3500.0)] * 6)
    assert (pedal.gain and pedal.gain[0]) == (gain if gain is None else pytest.approx(gain))


def test_part_pedal_excuses_an_engine_that_may_make_its_rating_and_measures_no_signal() -> None:
    pedal = driven(ENGINE, [(65.0, 0.9 * 250.0, 3500.0)] * 6)
    assert pedal.gain is None
    assert pedal.sound_by_rating(0.8) and not pedal.sound_by_rating(0.7)


def test_two_steps_of_the_pedal_tell_more_than_one_and_the_same_moment_is_no_second_one() -> None:
    def told(*moments: tuple[float, float, float]) -> float:
        return driven(SLOWER, [moment for moment in moments for _ in range(5)]).log_evidence

    near, far = (85.0, 190.0, 3000.0), (100.0, 150.0, 5200.0)  # far off the rating is a guess
    assert told(far, far) == pytest.approx(told(far))
    assert told(near, far) > max(told(far), told(near))


def test_full_pedal_does_not_stand_in_for_part_of_it() -> None:
    """Eight tenths with the pedal on the floor is no good figure for two thirds of its travel."""
    floored = [(100.0, 0.8 * 250.0, 3500.0)] * 5
    alone = driven(ENGINE, floored)
    with_part = driven(ENGINE, [*floored, *[(65.0, 0.55 * 250.0, 3000.0)] * 5])
    assert with_part.log_evidence > alone.log_evidence > -1.0


def test_what_is_too_short_on_the_floor_counts_for_the_next_step() -> None:
    """Torque below three quarters of the rating for 3.2 s in all, 1.6 of them on the floor."""
    moments = [(80.0, 150.0, 3500.0)] * 4 + [(100.0, 170.0, 3500.0)]
    best = driven(ENGINE, moments).best
    assert best is not None and best[0].share == pytest.approx(170.0 / 250.0)
    assert best[0].seconds_s == pytest.approx(3.2) and best[1] < 0.93


def test_an_engine_without_boost_is_weak_though_it_makes_its_rating_at_high_speed() -> None:
    """Charged engines hold their torque from low speed on; without boost they breathe as others do."""
    rated = replace(ENGINE, torque_curve=((1500.0, 320.0), (4500.0, 320.0), (6000.0, 235.0)))
    breathes = [(100.0, torque, rpm) for rpm, torque in ((2200, 200.0), (3400, 200.0), (6000, 225.0))]
    pedal = driven(rated, [moment for moment in breathes for _ in range(6)])
    assert pedal.log_evidence > 1.0
    sound = [(100.0, torque, rpm) for rpm, torque in ((2200, 315.0), (3400, 310.0), (6000, 225.0))]
    assert driven(rated, [moment for moment in sound for _ in range(6)]).log_evidence < 0.0


def test_a_turbocharger_has_its_time() -> None:
    """Six pulls of two seconds each, boost coming up in each: no torque is missing."""
    pedal = FullPedal(ENGINE)
    for pull in range(6):
        pedal.feed(window(10.0 * pull, 0.0, 0.0, 1500.0))
        pedal.feed(window(10.0 * pull + 1.6, 100.0, 90.0, 2000.0))
        pedal.feed(window(10.0 * pull + 3.2, 100.0, 130.0, 2400.0))
    assert pedal.best is None


@pytest.mark.parametrize("floored", [False, True])
def test_how_far_an_absolute_pedal_goes_shows_once_it_went_there(floored: bool) -> None:
    """At rest 15 %; at six tenths of its travel it reads 62 %, which of most pedals is three quarters."""
    pedal = FullPedal(ENGINE)
    pedal.feed(window(0.0, 15.0, 0.0, 1500.0))
    for i in range(1, 8):
        pedal.feed(window(1.6 * i, 62.0, 150.0, 3500.0))
    if floored:
        pedal.feed(window(20.0, 93.0, 250.0, 3500.0))
    assert pedal.travel(62.0) == pytest.approx(0.60 if floored else 0.746, abs=0.01)
    assert (pedal.best is None) == floored, "what was taken for most of the travel was less"
