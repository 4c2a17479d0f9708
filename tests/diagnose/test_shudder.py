"""Swings of the locked driveline: what is a surge, what is shudder, and slip beside it."""

from __future__ import annotations

import pytest

from livemon.diagnose.shudder import ShudderWatch, with_slip
from livemon.records import Oscillation


def looks(frequency_hz: float, disturbed_s: float, begins_s: float = 10.0, count: int = 6) -> ShudderWatch:
    """Looks every half second at a swing of 20 rpm, the windows 1.3 s long; the first ends at `begins_s`."""
    watch = ShudderWatch()
    for i in range(count):
        o = Oscillation(begins_s + 0.5 * i, frequency_hz, 20.0, 1e-8, 20.0, 1.3 * frequency_hz, True)
        watch.feed(o, disturbed_s)
    watch.feed(Oscillation(begins_s + 0.5 * count, 0.0, 0.0, 1.0, 20.0, 0.0, True), disturbed_s)
    return watch


@pytest.mark.parametrize("frequency_hz", [4.4, 5.4, 8.0])
def test_a_surge_after_a_step_is_not_shudder(frequency_hz: float) -> None:
    """It has died out two seconds after the step: with windows of 1.3 s, no later look shows it."""
    assert looks(frequency_hz, disturbed_s=9.5, count=3).count == 0


@pytest.mark.parametrize("frequency_hz", [6.0, 8.0, 12.0])
def test_what_goes_on_long_after_a_step_is_shudder(frequency_hz: float) -> None:
    watch = looks(frequency_hz, disturbed_s=4.0)
    assert len(watch.firm) == 1 and watch.firm[0].looks == 6
    assert watch.over_sound_and_engine[0] > 3.0


def test_a_step_that_becomes_known_late_still_takes_a_slow_swing_back() -> None:
    watch = ShudderWatch()
    watch.feed(Oscillation(10.0, 4.4, 30.0, 1e-8, 20.0, 5.7, True), 2.0)
    watch.feed(Oscillation(10.5, 0.0, 0.0, 1.0, 20.0, 0.0, True), 9.8)
    assert watch.count == 0


def test_a_slow_swing_held_back_is_told_when_the_next_look_is_quiet() -> None:
    """A look at 4 to 7 Hz waits for the next one, lest a step explain it; the last must not be lost."""
    watch = ShudderWatch()
    for i in range(3):
        told = watch.feed(Oscillation(10.0 + 0.5 * i, 6.0, 15.0, 1e-9, 20.0, 6.0, True))
        assert (0 if told is None else told.looks) == i
    told = watch.feed(Oscillation(11.5, 0.0, 0.0, 1.0, 20.0, 0.0, True))
    assert told is not None and told.looks == 3


def test_spectrum_that_shows_nothing_speaks_neither_way() -> None:
    assert ShudderWatch().over_sound_and_engine == (0.0, 0.0)


def test_slip_beside_shudder_is_no_evidence_against_it_but_alone_it_is() -> None:
    shakes, slip = with_slip(4.0, 6.0)
    assert shakes > slip
    shakes, slip = with_slip(-1.5, 6.0)
    assert slip > shakes + 2.0
    assert with_slip(0.0, 0.0) == pytest.approx((0.0, 0.0))
    assert with_slip(800.0, -800.0)[0] < 801.0


@pytest.mark.parametrize(("last", "followed", "order"), [(1, 9, 0.5), (7, 3, None)])
def test_a_swing_that_dies_away_still_followed_its_order(
    last: int, followed: int, order: float | None
) -> None:
    """The last looks at a misfire follow nothing; a shudder meets half an order at times."""
    watch = ShudderWatch()
    for i in range(followed + last):
        of = 0.5 if i < followed else None
        watch.feed(Oscillation(10.0 + 0.5 * i, 13.2, 15.0, 1e-9, 25.0, 17.0, True, of), 2.0)
    assert watch.firm[0].engine_order == order


def test_shudder_needs_to_show_more_than_once_and_returns_with_weight() -> None:
    once, again, smooth = ShudderWatch(), ShudderWatch(), ShudderWatch()
    once.feed(Oscillation(10.0, 9.0, 30.0, 1e-6, 15.0, 8.0, True))
    assert once.firm == [] and once.log_evidence <= 0.0
    for start_s in (10.0, 30.0, 50.0):
        for i in range(4):
            again.feed(Oscillation(start_s + 0.4 * i, 9.0 + 0.1 * i, 30.0, 1e-6, 15.0, 8.0, True))
        again.released(start_s + 1.7)
    assert len(again.firm) == 3 and all(e.stopped_at_release for e in again.firm)
    assert again.log_evidence > 6.0
    for i in range(100):
        smooth.feed(Oscillation(float(i), 9.0, 2.0, 0.5, 15.0, 8.0, True))
        smooth.locked_time(1.0, 20)
    assert smooth.can_be_seen and smooth.log_evidence < -0.5


def test_swing_at_an_engine_order_is_misfire_rather_than_shudder() -> None:
    def evidence(order: float | None) -> float:
        seen = ShudderWatch()
        for i in range(4):
            seen.feed(Oscillation(10.0 + 0.4 * i, 9.0, 30.0, 1e-6, 15.0, 8.0, True, order))
        return seen.log_evidence

    assert evidence(0.5) < 0.0 < evidence(None)


def test_slow_sampling_cannot_rule_shudder_out() -> None:
    slow = ShudderWatch()
    for i in range(100):
        slow.feed(Oscillation(float(i), 0.0, 0.0, 1.0, 1.5, 0.0, True))
        slow.locked_time(1.0, 3)
    assert not slow.can_be_seen and slow.log_evidence == pytest.approx(0.0, abs=1e-9)
