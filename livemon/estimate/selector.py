"""Where the selector is over one stop: a hidden Markov chain of three states, smoothed back over the stop.

States: in gear as it came to rest, in gear since the selector moved, neutral or park. Drivers who put it in
gear drive off within seconds, so a start says when it was moved: no sooner than just before.
Forward and backward: Rabiner, Proc. IEEE 77 (1989) 257.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Final, NamedTuple

# Rates [1/s], common practice, no source: a stop in gear lasts 20 s, as does one in neutral; a driver who has
# moved the selector into gear drives off after 4 s.
GOES, GOES_AT_ONCE, INTO_GEAR = 0.05, 0.25, 0.05
_PUSHED: Final = 1e-3  # as a rate: it moves in neutral
_ENDS_IN_PARK: Final = 8.0  # odds, of a recording that ends standing. Common practice, no source
_MOST: Final = 1e3
_KEPT: Final = 64  # moments smoothed back over

States = tuple[float, float, float]  # in gear as it came to rest, in gear since moved, neutral
NOTHING: Final = (1.0, 1.0, 1.0)  # comes after
ENDS: Final = (1.0, 1.0, _ENDS_IN_PARK)


class Event(NamedTuple):
    """Something happens: density of its being the selector's move out of gear, into it, or something else."""

    leaves: float
    returns: float
    other: float


Moved = tuple[Event, int]  # how many moments ago


class _Moment:
    """held, put: share of those in gear that has not driven off; out, into: share whose selector moves."""

    __slots__ = ("event", "forward", "held", "into", "level", "odds", "out", "put")

    def __init__(self, dt: float, leaves: float, odds: float, level: float) -> None:
        self.held, self.put = 1.0 - _share(dt * GOES), 1.0 - _share(dt * GOES_AT_ONCE)
        self.out, self.into = _share(dt * leaves), _share(dt * INTO_GEAR)
        self.odds, self.level = odds, level
        self.event: Event | None = None
        self.forward = (1.0, 0.0, 0.0)


def _share(x: float) -> float:
    return min(0.5, x)


class Selector:
    """`tick` while standing, `begin` at the next stop; `smoothed` over the moments of this one."""

    __slots__ = ("_first", "_moments")

    def __init__(self, free: float) -> None:
        self._moments: deque[_Moment] = deque(maxlen=_KEPT)
        self.begin(free)

    def begin(self, free: float) -> None:
        """A stop begins, in neutral with probability `free`."""
        self._first = (1.0 - free, 0.0, free)
        self._moments.clear()

    def tick(self, dt: float, leaves: float, moved: Moved | None, odds: float, level: float) -> float:
        """Probability of neutral. leaves: rate out of gear [1/s]; moved: perhaps, 0 moments ago is this one;
        odds: of neutral, by what is seen of this moment alone; level: by what has been seen since the last
        event, which it replaces."""
        moments = self._moments
        moments.append(_Moment(dt, leaves, odds, level))
        since = len(moments) - 1
        if moved is not None:
            since = max(0, since - moved[1])
            moments[since].event = moved[0]
        for i in range(since, len(moments)):
            before, told = (moments[i - 1].forward, moments[i - 1].level) if i else (self._first, 1.0)
            moments[i].forward = _forward(before, told, moments[i])
        return _probability(moments[-1].forward, (1.0, 1.0, level))

    def smoothed(self, after: States) -> Iterator[float]:
        """Probability of neutral at each moment, newest first, by all of the stop and by what came `after`:
        likelihood of the three states."""
        held, put, free = after
        later: _Moment | None = None
        for moment in reversed(self._moments):
            if later is None:
                free *= moment.level
            else:
                held, put, free = _back(later, moment.level, (held, put, free))
            yield _probability(moment.forward, (held, put, free))
            later = moment


def goes(by_itself: float) -> States:
    """It drives off. by_itself: share of stops at which this box lets go, and takes hold as it starts."""
    return GOES, GOES_AT_ONCE, _PUSHED + by_itself * GOES_AT_ONCE


def _forward(before: States, told: float, moment: _Moment) -> States:
    """Shares of the states; told: odds of neutral by the level up to the moment before."""
    held, put, free = before
    held, put, out, into = held * moment.held, put * moment.put, moment.out, moment.into
    held, put, free = (
        held * (1.0 - out), put * (1.0 - out) + free * into, free * (1.0 - into) + (held + put) * out,
    )  # fmt: skip
    if (event := moment.event) is not None:
        # where nothing moved, the level since then tells the same again
        held, put, free = (
            held * event.other,
            put * event.other + told * free * event.returns,
            free * event.other + (held + put) * event.leaves,
        )
    free *= moment.odds
    least = (held + put + free) / _MOST
    held, free = max(held, least), max(free, least)
    total = held + put + free
    return held / total, put / total, free / total


def _back(later: _Moment, level: float, beta: States) -> States:
    """Likelihood of the states a moment before `later`, scaled."""
    held, put, free = beta
    free *= later.odds
    if (event := later.event) is not None:
        held, put, free = (
            event.other * held + event.leaves * free,
            event.other * put + event.leaves * free,
            event.other * free + level * event.returns * put,
        )
    out, into = later.out, later.into
    held, put, free = (
        later.held * ((1.0 - out) * held + out * free),
        later.put * ((1.0 - out) * put + out * free),
        (1.0 - into) * free + into * put,
    )
    scale = 1.0 / max(held, put, free)
    return held * scale, put * scale, free * scale


def _probability(forward: States, beta: States) -> float:
    held, put, free = (a * b for a, b in zip(forward, beta, strict=True))
    odds = min(_MOST, max(1.0 / _MOST, free / max(held + put, 1e-300)))
    return odds / (1.0 + odds)
