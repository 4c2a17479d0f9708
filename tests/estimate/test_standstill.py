"""Standing in gear or in neutral: torque over a stop, the engine's start, boxes that let go at stops."""

from __future__ import annotations

import pytest

from livemon.estimate.standstill import Standstill
from livemon.estimate.zero import Zero

STALLED_NM = 25.0


def stand(
    state: Standstill, start_s: float, seconds: float, torque_nm: float | None, rpm: float = 700.0
) -> float:
    t = start_s
    while t < start_s + seconds:
        state.tick(t, rpm, torque_nm, 6.0, STALLED_NM, None)
        t += 0.2
    return state.neutral


def test_torque_of_a_stalled_converter_is_in_gear_and_none_is_neutral() -> None:
    assert stand(Standstill(Zero()), 0.0, 6.0, 0.85 * STALLED_NM) < 0.2
    assert stand(Standstill(Zero()), 0.0, 6.0, -4.0) > 0.6


def test_without_torque_only_the_usual_share_is_left() -> None:
    assert 0.3 < stand(Standstill(Zero()), 0.0, 60.0, None) < 0.5


def test_an_engine_just_started_flares_by_itself() -> None:
    state = Standstill(Zero())
    for i in range(10):
        state.tick(0.2 * i, 450.0 + 40.0 * i, -20.0, 20.0, STALLED_NM, None)
    assert state.neutral < 0.6


def test_the_selector_moved_during_a_stop_is_noticed() -> None:
    state = Standstill(Zero())
    assert stand(state, 0.0, 6.0, 0.85 * STALLED_NM) < 0.2
    assert stand(state, 6.0, 12.0, -4.0) > 0.6


def test_a_box_that_lets_go_at_stops_is_remembered() -> None:
    state = Standstill(Zero())
    state.moved()
    first = state.neutral
    assert first < 0.1, "a recording that begins under way did not begin in park"
    for stop in range(4):
        stand(state, 20.0 * stop, 10.0, -4.0)
        state.moved()
    letting_go = state.neutral
    assert letting_go > 2.0 * first
    for stop in range(4, 16):
        stand(state, 20.0 * stop, 10.0, 0.85 * STALLED_NM)
        state.moved()
    assert state.neutral < letting_go


def test_park_at_the_end_shows_though_the_governor_holds_the_engine() -> None:
    """The level teaches where zero is stop by stop, never the stop it is of."""
    state = Standstill(Zero())
    for stop in range(3):
        stand(state, 30.0 * stop, 12.0, 0.85 * STALLED_NM + 8.0)
        state.moved()
    assert stand(state, 100.0, 6.0, 0.85 * STALLED_NM + 8.0) < 0.1
    assert stand(state, 106.0, 3.0, 6.0) > 0.8
    assert stand(state, 109.0, 60.0, 6.0) > 0.8, "nor does a long one become in gear"


def test_a_compressor_is_no_selector() -> None:
    state = Standstill(Zero())
    for stop in range(3):
        stand(state, 30.0 * stop, 12.0, 0.85 * STALLED_NM)
        state.moved()
    stand(state, 100.0, 6.0, 0.85 * STALLED_NM)
    assert stand(state, 106.0, 6.0, 0.85 * STALLED_NM + 10.0) < 0.2
    assert stand(state, 112.0, 6.0, 0.85 * STALLED_NM) < 0.2


def test_a_gear_said_often_counts_no_more_than_one_said_now_and_then() -> None:
    said, seldom = Standstill(Zero()), Standstill(Zero())
    for i in range(10):
        said.tick(0.2 * i, 700.0, None, 6.0, STALLED_NM, (True, 0.02**0.2))
        seldom.tick(0.2 * i, 700.0, None, 6.0, STALLED_NM, (True, 0.02) if i in (4, 9) else None)
    assert said.neutral == pytest.approx(seldom.neutral, abs=0.01)


def test_a_drive_ends_in_park_where_nothing_tells() -> None:
    """Of a recording that ends standing, and of a moment that stands as long in the middle of a drive."""
    state = Standstill(Zero())
    stand(state, 0.0, 6.0, None)
    state.moved()
    stand(state, 60.0, 20.0, None)
    assert next(state.smoothed(ends=True)) > 2.0 * next(state.smoothed(ends=False))


def test_what_shows_as_it_drives_off_is_known_of_the_seconds_before() -> None:
    """Standing in park without a word: the load comes on, and three seconds later it goes."""
    state = Standstill(Zero())
    stand(state, 0.0, 12.0, 0.0)
    doubt = state.neutral
    stand(state, 12.0, 3.0, 0.85 * STALLED_NM)
    by_all = state.moved()
    assert by_all[0] < 0.05 and by_all[10] < 0.1
    assert by_all[20] > max(0.95, doubt)


def test_a_long_wait_in_gear_stays_one() -> None:
    """Torque is told and does not step: nobody has moved the selector."""
    state = Standstill(Zero())
    stand(state, 0.0, 6.0, 0.85 * STALLED_NM)
    state.moved()
    assert stand(state, 60.0, 1200.0, 0.85 * STALLED_NM) < 0.1


def test_a_dip_of_the_engine_is_the_selector_where_torque_is_untold() -> None:
    """Put in gear, the idle dips by 60 rpm; the governor has it back a second later."""
    state = Standstill(Zero())
    before = stand(state, 0.0, 6.0, None)
    for i, rpm in enumerate((660.0, 640.0, 650.0, 680.0)):
        state.tick(6.0 + 0.2 * i, rpm, None, 6.0, STALLED_NM, None)
    assert state.neutral < 0.85 * before
    past = list(state.smoothed(ends=False))
    assert past[4] > past[3] + 0.1, "before it the gear was not in"


def test_a_clock_set_at_a_stop_makes_nothing_surer() -> None:
    state = Standstill(Zero())
    stand(state, 0.0, 6.0, 0.85 * STALLED_NM)
    state.moved()
    sure = stand(state, 60.0, 15.0, 2.0)
    state.lost()
    state.tick(10.0, 700.0, 2.0, 6.0, STALLED_NM, None)
    assert state.neutral < sure
    state.lost()
    state.moved()
    assert stand(state, 100.0, 3.0, 0.85 * STALLED_NM) < 0.1, "nor does it pass to the next stop"


def test_torque_that_falls_silent_leaves_what_it_has_said() -> None:
    """An engine switched off at a stop, or torque gone stale."""
    state = Standstill(Zero())
    stand(state, 0.0, 6.0, 0.85 * STALLED_NM)
    state.moved()
    before = stand(state, 60.0, 10.0, 0.85 * STALLED_NM)
    state.tick(70.2, 700.0, None, 6.0, STALLED_NM, None)
    assert state.neutral < 1.5 * before
