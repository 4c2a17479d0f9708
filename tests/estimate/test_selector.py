"""The selector over a stop: forward and backward against the sum over every way it can have gone."""

from __future__ import annotations

import random
from itertools import product

import pytest

from livemon.estimate.gear_tick import Tick, at_rest
from livemon.estimate.selector import (
    ENDS,
    GOES,
    GOES_AT_ONCE,
    INTO_GEAR,
    NOTHING,
    Event,
    Selector,
    States,
    goes,
)
from livemon.estimate.ticks import Ticks

DT, LEAVES = 0.4, 0.05
Moment = tuple[Event | None, float, float]  # event, odds, level


def by_all_paths(moments: list[Moment], free: float, after: States) -> list[float]:
    """Probability of neutral at each moment, newest first.

    States 0, 1, 2: in gear as it came to rest, since moved, neutral. The level of a stretch between two
    events counts where the selector moved at its end, and at the end of all.
    """
    out, into = DT * LEAVES, DT * INTO_GEAR
    stays = (1.0 - DT * GOES, 1.0 - DT * GOES_AT_ONCE, 1.0)
    by_itself = ((1 - out, 0, out), (0, 1 - out, out), (0, into, 1 - into))
    total, neutral = 0.0, [0.0] * len(moments)
    # of each moment: where the rates have led to, and then the event
    for path in product(range(3), repeat=2 * len(moments)):
        weight, before = (1.0 - free, 0.0, free), None
        p, here = 1.0, None
        for i, (event, odds, _) in enumerate(moments):
            moved, there = path[2 * i], path[2 * i + 1]
            if here is None:
                p *= sum(weight[s] * stays[s] * by_itself[s][moved] for s in range(3))
            else:
                p *= stays[here] * by_itself[here][moved]
            if event is None:
                p *= moved == there
            else:
                told = 1.0 if before is None else before
                seen = (
                    (event.other, 0.0, event.leaves),
                    (0.0, event.other, event.leaves),
                    (0.0, event.returns * told, event.other),
                )
                p *= seen[moved][there]
            p *= odds if there == 2 else 1.0
            here, before = there, moments[i][2]
            if not p:
                break
        if not p or here is None:
            continue
        p *= after[here] * (moments[-1][2] if here == 2 else 1.0)
        total += p
        for i in range(len(moments)):
            neutral[i] += p if path[2 * i + 1] == 2 else 0.0
    return [x / total for x in reversed(neutral)]


@pytest.mark.parametrize("after", [NOTHING, ENDS, goes(0.3)])
@pytest.mark.parametrize("seed", range(3))
def test_forward_and_backward_are_the_sum_over_all_paths(seed: int, after: States) -> None:
    rng = random.Random(seed)
    event = Event(0.01, 0.03, 0.02)
    moments: list[Moment] = [
        (event if i in (1, 3) else None, rng.uniform(0.7, 1.5), rng.uniform(0.3, 3.0)) for i in range(5)
    ]
    selector = Selector(0.4)
    for seen, odds, level in moments:
        selector.tick(DT, LEAVES, None if seen is None else (seen, 0), odds, level)
    assert list(selector.smoothed(after)) == pytest.approx(by_all_paths(moments, 0.4, after), rel=1e-9)


def test_an_event_known_later_counts_where_it_happened() -> None:
    event = Event(0.0, 0.5, 0.01)
    late, at_once = Selector(0.4), Selector(0.4)
    for i in range(10):
        late.tick(DT, LEAVES, (event, 2) if i == 6 else None, 1.0, 1.0)
        at_once.tick(DT, LEAVES, (event, 0) if i == 4 else None, 1.0, 1.0)
    assert list(late.smoothed(NOTHING)) == pytest.approx(list(at_once.smoothed(NOTHING)))


def test_put_in_gear_and_off_it_goes() -> None:
    """A load comes on two seconds before it starts: it stood in park till then."""
    selector = Selector(0.4)
    for i in range(60):
        selector.tick(0.2, 0.004, (Event(0.0, 0.1, 0.03), 0) if i == 50 else None, 1.0, 1.0)
    before = list(selector.smoothed(NOTHING))
    after = list(selector.smoothed(goes(0.0)))
    assert after[0] < 0.02 and after[9] < 0.05
    assert after[20] > 0.85 and after[20] > before[20]


def test_what_a_stop_tells_is_not_given_to_ticks_under_way() -> None:
    """Rolling off, the road speed still reads zero: ticks come that are not of the stop."""
    ticks = Ticks()
    for i in range(5):
        ticks.append(at_rest(float(i), 0.5) if i < 3 else Tick(float(i)))
    ticks.stood([0.1, 0.2, 0.3])
    assert [t.neutral for t in ticks.since(-1.0)[0]] == [0.3, 0.2, 0.1, 0.0, 0.0]


def test_a_stop_longer_than_is_kept_is_bounded_and_goes_on() -> None:
    selector = Selector(0.1)
    for _ in range(5000):
        p = selector.tick(0.2, 0.004, None, 1.0, 5.0)
    assert len(list(selector.smoothed(NOTHING))) < 100
    assert 0.9 < p < 0.97, "most of five to one for what the tenth was before"
    selector.begin(0.1)
    assert not list(selector.smoothed(ENDS))
