"""What a worn gear holds, learnt window by window, and which gears are worn together."""

from __future__ import annotations

from math import exp, log

import numpy as np
import pytest

from livemon.diagnose.gear_slip import GearWatch, Slipped
from livemon.diagnose.worn_gears import TWO, WornGears

PEAK_NM = 240.0


def learnt(windows: list[tuple[float, bool]]) -> GearWatch:
    """After windows of second at a torque, in which it certainly slipped or certainly held."""
    watch = GearWatch(PEAK_NM)
    for torque_nm, slips in windows:
        watch.learn(2, torque_nm, 1.0 if slips else 1e-6, 1e-6 if slips else 1.0, 0.4)
    return watch


def test_a_worn_gear_gives_way_as_load_grows() -> None:
    watch = GearWatch(PEAK_NM)
    chances = [watch.chance(2, torque_nm) for torque_nm in (-50.0, 0.0, 10.0, 30.0, 60.0, 120.0, 240.0)]
    assert chances == sorted(chances)
    assert chances[0] < 0.05 and chances[-1] > 0.85


def test_what_it_has_held_it_holds() -> None:
    """Light load held and heavy load not: that is a worn gear as it should be, not half a contradiction."""
    watch = learnt([(40.0, False), (150.0, True)] * 12)
    assert watch.chance(2, 40.0) < 0.1 and watch.chance(2, 150.0) > 0.8
    assert watch.chance(3, 60.0) == GearWatch(PEAK_NM).chance(3, 60.0)  # each gear for itself


def test_a_gear_that_held_everything_may_be_worn_by_more_than_was_asked() -> None:
    watch = learnt([(60.0, False)] * 40)
    assert watch.chance(2, 60.0) < 0.08 < 0.5 < watch.chance(2, 200.0)


def test_what_has_held_for_hours_may_give_way_yet() -> None:
    watch = learnt([(60.0, False)] * 20000)
    assert watch.chance(2, 60.0) < 0.06
    for _ in range(30):
        watch.learn(2, 60.0, 1.0, 1e-6, 0.4)
    assert watch.chance(2, 60.0) > 0.5


def test_a_window_that_says_nothing_changes_nothing() -> None:
    watch = learnt([(60.0, False)])
    before = watch.chance(2, 60.0)
    watch.learn(2, 60.0, 0.0, 0.0, 0.4)
    assert watch.chance(2, 60.0) == before


def test_the_order_of_windows_does_not_matter() -> None:
    windows = [(60.0, False), (150.0, True), (90.0, False), (200.0, True), (30.0, False)]
    one, other = learnt(windows), learnt(windows[::-1])
    assert one.chance(2, 100.0) == pytest.approx(other.chance(2, 100.0))


def test_evidence_is_the_sum_over_what_it_may_hold() -> None:
    """Window by window as all at once: chances multiplied in turn are the mixture over constant holds."""
    windows = [(60.0, False), (150.0, True), (90.0, True), (60.0, False)]
    watch, in_turn = GearWatch(PEAK_NM), 0.0
    for torque_nm, slips in windows:
        chance = watch.chance(1, torque_nm)
        in_turn += log(chance if slips else 1.0 - chance)
        watch.learn(1, torque_nm, 1.0 if slips else 0.0, 0.0 if slips else 1.0, 1.0)
    at_once = 0.0
    for holds in (0.06, 0.12, 0.2, 0.32, 0.5):  # of peak torque
        product = 1.0
        for torque_nm, slips in windows:
            p = 0.03 + 0.87 / (1.0 + (holds * PEAK_NM / torque_nm) ** 5)
            product *= p if slips else 1.0 - p
        at_once += 0.2 * product
    assert in_turn == pytest.approx(log(at_once))


def test_neighbours_may_be_worn_together() -> None:
    assert WornGears(3).sets == ((1,), (2,), (3,), (1, 2), (2, 3))
    assert [WornGears(3).of(gear) for gear in (1, 2, 3, 4, 0, -1, None)] == [
        (0, 3),
        (1, 3, 4),
        (2, 4),
        (),
        (),
        (),
        (),
    ]
    assert WornGears(1).sets == ((1,),) and WornGears(0).sets == ()


def test_evidence_of_any_gear() -> None:
    told = np.array([2.0, -1.0, 0.0, 5.0, -3.0])
    alone, both = np.exp(told[:3]).mean(), np.exp(told[3:]).mean()
    assert exp(WornGears(3).log_evidence(told)) == pytest.approx((1.0 - TWO) * alone + TWO * both)
    assert WornGears(1).log_evidence(np.array([2.0])) == pytest.approx(2.0)
    assert WornGears(0).log_evidence(np.zeros(0)) == 0.0


def test_the_likeliest_gears_and_the_longest_first() -> None:
    seen = {2: Slipped(0.0, seconds_s=5.0), 3: Slipped(0.0, seconds_s=9.0)}
    assert WornGears(3).likeliest(np.array([0.0, 4.0, 0.0, 0.0, 5.0]), seen) == (2,)  # two are rarer than one
    assert WornGears(3).likeliest(np.array([0.0, 4.0, 0.0, 0.0, 9.0]), seen) == (3, 2)
    assert WornGears(0).likeliest(np.zeros(0), seen) == ()
