"""The vehicle tells turbine speed and its clutch: a slipping gear by the shafts, a clutch by its word."""

from __future__ import annotations

from dataclasses import replace
from math import exp
from random import Random

import numpy as np
import pytest

from livemon.diagnose.clutch_bit import OPEN_SAID, ClutchBit
from livemon.diagnose.row_logs import ALIKE
from livemon.diagnose.shafts import ShaftWatch
from livemon.diagnose.windows import Window, WindowMaker
from livemon.records import Estimate, Regime

PEAK_NM = 240.0
RATIOS = (4.0, 2.4, 1.55, 1.15)


def one_window() -> Window:
    maker = WindowMaker()
    for i in range(20):
        maker.feed(
            Estimate(
                0.1 * i, 2000.0, "pull", 1900.0, 3.0, 100.0, 3.0, 0.95, 0.002, 3, 1.0, 0.05,
                engine_torque_nm=120.0, pump_torque_nm=115.0, geared_rpm=1900.0, geared_sd_rpm=2.0,
                road_speed_m_s=20.0, turbine_source="broadcast",
            )
        )  # fmt: skip
    window = maker.end()
    assert window is not None
    return window


BASE = one_window()


def told(t: float, gear: int, torque_nm: float, ahead: float, regime: Regime = "pull") -> Window:
    """A second in which the turbine runs `ahead` of road speed times ratio."""
    return replace(
        BASE, start_s=t, end_s=t + 1.0, gear=gear, pump_torque_nm=torque_nm, regime=regime,
        turbine_rpm=1900.0 * (1.0 + ahead),
    )  # fmt: skip


def alone(watch: ShaftWatch) -> list[float]:
    """ln evidence of each gear that it alone slips."""
    return [float(x) for x in watch.of_worn()[: len(RATIOS)]]


def evidence(
    slipping: int = 0, share: float = 0.0, wrong: int = 0, off: float = 0.0, scale: float = 0.0
) -> list[float]:
    """ln evidence of each gear after ten minutes through four gears and back, at all loads; a shift shows."""
    watch, rng, t = ShaftWatch(PEAK_NM, RATIOS), Random(5), 0.0
    for _ in range(15):
        for gear in (1, 2, 3, 4, 3, 2):
            torque = rng.choice((-20.0, 30.0, 90.0, 200.0))
            for _ in range(6):
                ahead = scale + rng.gauss(0.0, 0.003) + (off if gear == wrong else 0.0)
                if gear == slipping and torque > 60.0:
                    ahead += share
                watch.feed(told(t, gear, torque, ahead, "coast" if torque < 0.0 else "pull"))
                t += 1.0
            watch.feed(told(t, gear, torque, 0.2, "shift"))
            t += 0.5
    return alone(watch)


@pytest.mark.parametrize("gear", [1, 3])
@pytest.mark.parametrize("share", [0.06, 0.25, 1.1])
def test_a_gear_that_slips_under_load_is_found(gear: int, share: float) -> None:
    told_of = evidence(slipping=gear, share=share, scale=0.01)
    assert told_of[gear - 1] > 6.0
    assert all(x < 0.0 for i, x in enumerate(told_of) if i != gear - 1)


@pytest.mark.parametrize("ahead", [0.12, 0.15, 0.18])
def test_a_gear_that_slips_is_found_where_it_is_taken_for_the_one_below(ahead: float) -> None:
    """Fourth runs so far ahead that it lies between third and itself, and is called third."""
    watch, t = ShaftWatch(PEAK_NM, RATIOS), 0.0
    for _ in range(6):
        for gear, seconds in ((2, 5), (3, 5), (4, 6)):
            for i in range(seconds):
                slips = gear == 4 and i > 1
                torque, called = (150.0, 3) if slips else (60.0, gear)
                off = RATIOS[3] / RATIOS[2] * (1.0 + ahead) - 1.0 if slips else 0.0
                watch.feed(told(t, called, torque, off))
                t += 1.0
    told_of = alone(watch)
    assert told_of[3] > 6.0 and max(told_of[:3]) < 1.0


def test_two_gears_that_share_a_worn_clutch_are_found() -> None:
    """Second and third slip under load: neither alone explains what the other shows."""
    watch, rng, t = ShaftWatch(PEAK_NM, RATIOS), Random(7), 0.0
    for _ in range(10):
        for gear in (1, 2, 3, 4, 3, 2):
            torque = rng.choice((-20.0, 40.0, 180.0))
            for _ in range(6):
                ahead = rng.gauss(0.0, 0.003) + (0.08 if gear in (2, 3) and torque > 100.0 else 0.0)
                watch.feed(told(t, gear, torque, ahead, "coast" if torque < 0.0 else "pull"))
                t += 1.0
            watch.feed(told(t, gear, torque, 0.2, "shift"))
            t += 0.5
    assert sorted(watch.slipping) == [2, 3]
    assert watch.log_evidence > max(alone(watch)) + 5.0


def test_one_gear_that_slips_is_one() -> None:
    watch, t = ShaftWatch(PEAK_NM, RATIOS), 0.0
    for torque_nm in (180.0, 50.0) * 5:
        for gear in (1, 2, 3, 4):
            for i in range(6):
                slips = gear == 3 and i > 1 and torque_nm > 100.0
                watch.feed(told(t, gear, torque_nm, 0.1 if slips else 0.0))
                t += 1.0
    assert watch.slipping == (3,) and watch.log_evidence > 5.0


def test_a_turbine_told_late_is_no_gear_that_slips() -> None:
    """Pulling away in first gear it lies a tenth behind road speed times ratio, each time."""
    watch, t = ShaftWatch(PEAK_NM, RATIOS), 0.0
    for _ in range(20):
        for gear, ahead in ((1, -0.12), (1, -0.1), (1, -0.08), (1, -0.07), (2, -0.03), (2, 0.0), (2, 0.0)):
            watch.feed(told(t, gear, 150.0, ahead))
            t += 1.0
    assert watch.log_evidence < 1.0


def test_an_engine_that_idles_says_nothing_of_a_gear_that_slips() -> None:
    """Rolling in neutral the turbine falls behind every gear in turn."""
    watch, t = ShaftWatch(PEAK_NM, RATIOS), 0.0
    for i in range(120):
        watch.feed(told(t, 2, 5.0 if i % 20 > 9 else 60.0, -0.3 - 0.01 * (i % 30) if i % 20 > 9 else 0.0))
        t += 1.0
    assert all(x < 1.0 for x in alone(watch))


@pytest.mark.parametrize("scale", [0.0, 0.03, -0.03])
def test_a_tyre_that_is_off_is_no_gear_that_slips(scale: float) -> None:
    assert all(x < -3.0 for x in evidence(scale=scale))


def test_a_wrong_ratio_in_the_file_is_the_same_at_every_load() -> None:
    assert all(x < 0.0 for x in evidence(wrong=2, off=0.06))


def test_one_spin_of_the_wheels_is_no_gear_that_slips() -> None:
    watch, t = ShaftWatch(PEAK_NM, RATIOS), 0.0
    for gear in (2, 1, 2, 1, 2):
        for i in range(8):
            spins = gear == 1 and t < 20.0 and i > 2
            watch.feed(told(t, gear, 150.0, 0.3 if spins else 0.0))
            t += 1.0
    assert alone(watch)[0] < 2.0


def test_what_a_gear_that_slips_may_show_sums_to_one() -> None:
    """Rows are weighed against each other: over all that a window may show each must come to as much."""
    step = 0.004  # of ln(turbine / road speed times ratio)
    total = np.zeros(3)
    for i in range(-100, 400):
        watch = ShaftWatch(PEAK_NM, RATIOS[:1])
        watch._weigh(told(0.0, 1, 200.0, exp(i * step) - 1.0))
        total += step * np.exp(watch._ledger.as_seen / ALIKE)
    sound, _, slips = total.tolist()
    assert slips == pytest.approx(sound, rel=0.03)


def test_torque_that_winds_the_shafts_up_is_no_gear_that_slips() -> None:
    """Every launch: as torque comes the turbine runs ahead, until the shafts are wound up."""
    watch, t = ShaftWatch(PEAK_NM, RATIOS), 0.0
    for _ in range(12):
        for rpm, ahead, unsure in (
            (480.0, 0.06, 12.0),
            (650.0, 0.12, 20.0),
            (900.0, 0.02, 8.0),
            (1300.0, 0.0, 2.0),
        ):
            w = told(t, 1, 150.0, 0.0, "launch")
            geared = replace(w, geared_rpm=rpm, turbine_rpm=rpm * (1.0 + ahead), pump_torque_unsure_nm=unsure)
            watch.feed(geared)
            t += 1.0
        watch.feed(told(t, 1, 150.0, 0.2, "shift"))
        t += 1.0
    assert alone(watch)[0] < 0.0


def before_a_shift(seconds: float) -> float:
    """ln evidence of second, in which the turbine runs ahead for so long before each shift."""
    watch, t = ShaftWatch(PEAK_NM, RATIOS), 0.0
    for i in range(60):
        torque_nm = (60.0, 150.0, 150.0)[i % 3]
        for _ in range(2):
            watch.feed(told(t, 2, torque_nm, 0.0))
            t += 1.0
        last = told(t, 2, torque_nm, 0.15 if torque_nm > 100.0 else 0.0)
        watch.feed(replace(last, end_s=t + seconds))
        t += seconds
        watch.feed(told(t, 3, torque_nm, 0.3, "shift"))
        t += 1.0
    return alone(watch)[1]


def test_the_short_end_of_a_stretch_before_a_shift_says_nothing() -> None:
    """A shift begins before it is seen, by tenths of a second: what slips for longer slips."""
    assert before_a_shift(0.4) < 0.0
    assert before_a_shift(1.0) > 5.0


def launches(share: float) -> float:
    """ln evidence of first, which slips while the car starts and holds a second later, when torque drops."""
    watch, t = ShaftWatch(PEAK_NM, RATIOS), 0.0
    for _ in range(8):
        watch.feed(told(t, 1, 20.0, 0.0, "stationary_in_gear"))
        t += 1.0
        for i in range(6):
            torque_nm = 200.0 if i < 2 else 60.0
            window = told(t, 1, torque_nm, share if i < 2 else 0.0, "launch")
            watch.feed(replace(window, end_s=t + 0.5))
            t += 0.5
    return alone(watch)[0]


def test_no_shift_precedes_a_launch_from_rest() -> None:
    """First is in from the start: what slips before the car moves off properly is seen."""
    assert launches(0.3) > 6.0 > 0.0 > launches(0.0)


def test_a_shift_that_ends_in_the_gear_it_began_in_is_a_flare() -> None:
    """A gear that slips far enough looks like a shift; the second after a shift says nothing of a gear."""
    watch, t = ShaftWatch(PEAK_NM, RATIOS), 0.0
    for torque_nm in (60.0, 180.0, 180.0) * 8:
        slips = torque_nm > 100.0
        for regime, ahead, seconds in (("pull", 0.0, 1.0), ("shift", 0.4, 0.4), ("pull", 0.12, 0.4)) * 2:
            now: Regime = "shift" if regime == "shift" and slips else "pull"
            window = told(t, 2, torque_nm, ahead if slips else 0.0, now)
            watch.feed(replace(window, end_s=t + seconds))
            t += seconds
        watch.feed(told(t, 3, torque_nm, 0.3, "shift"))
        t += 1.0
    assert alone(watch)[1] > 5.0


@pytest.mark.parametrize("gear", [-1, 0, 5, None])
def test_a_gear_that_is_not_in_the_file_says_nothing(gear: int | None) -> None:
    watch = ShaftWatch(PEAK_NM, RATIOS)
    for i in range(20):
        watch.feed(replace(told(float(i), 1, 150.0, 0.2), gear=gear))
    assert not watch.seen and alone(watch) == [0.0] * 4


def test_what_is_worked_out_from_road_speed_says_nothing_of_gears() -> None:
    watch = ShaftWatch(PEAK_NM, RATIOS)
    for i in range(30):
        watch.feed(replace(told(float(i), 2, 150.0, 0.2), turbine_source="ratios"))
    assert not watch.seen and not any(alone(watch))


def said(t: float, applied: bool | None, regime: Regime = "pull") -> Window:
    return replace(BASE, start_s=t, end_s=t + 1.0, clutch_applied=applied, regime=regime)


def test_a_clutch_is_open_as_its_control_says() -> None:
    bit, seen = ClutchBit(), []
    for t, applied in ((0.0, None), (1.0, False), (2.0, True), (6.0, True), (7.0, False)):
        bit.feed(said(t, applied))
        seen.append((bit.says if bit.says is None else OPEN_SAID[bit.says], bit.coming))
    assert seen[:2] == [(None, False), (None, False)]  # it may say so always
    assert seen[2:] == [(0.05, True), (0.05, False), (0.95, False)]  # at first it is only coming on


def test_a_word_against_what_is_seen_is_not_believed() -> None:
    """It says released for minutes while engine and turbine turn as one: it has another sense."""
    bit = ClutchBit()
    bit.feed(said(0.0, True))
    for i in range(20):
        bit.feed(said(2.0 + i, False, "locked"))
    bit.feed(said(30.0, True))
    assert bit.says is None


def test_a_gear_taken_for_its_neighbour_does_not_slip() -> None:
    """It says third; the turbine runs at second gear's ratio."""
    watch = ShaftWatch(PEAK_NM, RATIOS)
    for i in range(60):
        watch.feed(told(float(i), 3, 150.0, RATIOS[1] / RATIOS[2] - 1.0))
    assert watch.seen and not any(alone(watch))
