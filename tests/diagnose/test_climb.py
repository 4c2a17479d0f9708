"""Barometric pressure tells how far the road has climbed, and a climb is not drag."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import VEHICLE  # it lies beside this file

from livemon.diagnose.climb import Climb, Slope
from livemon.diagnose.diagnoser import Diagnoser
from livemon.diagnose.nuisance import State
from livemon.diagnose.windows import WindowMaker
from livemon.records import Estimate

# U.S. Standard Atmosphere, 1976, table of pressure by altitude: metres, kPa.
STANDARD = ((0.0, 101.325), (200.0, 98.945), (500.0, 95.461), (1000.0, 89.875))


def driven(climb: Climb, length_m: float) -> None:
    maker = WindowMaker()
    for i in range(round(length_m / 2.0) + 1):
        window = maker.feed(Estimate(0.1 * i, 2000.0, "pull", road_speed_m_s=20.0))
        if window is not None:
            climb.feed(window)
    last = maker.end()
    if last is not None:
        climb.feed(last)


@pytest.mark.parametrize(("metres", "kpa"), STANDARD)
def test_the_slope_is_that_of_the_standard_atmosphere(metres: float, kpa: float) -> None:
    climb = Climb()
    assert climb.barometer(STANDARD[0][1]) is None
    driven(climb, 10000.0)
    slope = climb.barometer(kpa)
    assert slope is not None
    assert slope.value == pytest.approx(metres / 10000.0, rel=0.03)
    assert slope.length_m == pytest.approx(10000.0, rel=0.01)
    assert slope.sd < 0.007


def test_two_readings_near_each_other_say_nothing_and_nonsense_is_not_heard() -> None:
    climb = Climb()
    climb.barometer(100.0)
    driven(climb, 800.0)
    assert climb.barometer(99.0) is None
    driven(climb, 800.0)
    assert climb.barometer(0.0) is None
    assert climb.barometer(60.0) is None  # forty kPa in two kilometres
    driven(climb, 2000.0)
    assert climb.barometer(61.0) is not None


def test_a_climb_is_learned_where_the_country_allows_it_and_speaks_for_mountains() -> None:
    bank = Diagnoser(VEHICLE).bank
    before = bank.log_evidence
    bank.climbed(Slope(0.05, 0.007, 6000.0))
    told = bank.log_evidence - before
    for row, hypothesis in enumerate(bank.rows):
        slope, sd = bank.state(row, State.SLOPE)
        if hypothesis.valley > 1.0:
            assert slope == pytest.approx(0.05, abs=0.015) and sd < 0.02
        else:
            assert slope < 0.02
    mountains = [gain for gain, row in zip(told, bank.rows, strict=True) if row.valley > 1.0]
    others = [gain for gain, row in zip(told, bank.rows, strict=True) if row.valley == 1.0]
    assert min(mountains) > max(others) + 1.0
