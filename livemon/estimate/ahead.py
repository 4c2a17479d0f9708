"""A turbine that runs ahead of an engine that pulls: with a stator held past the coupling point it does.

A sound converter passes torque only from the faster to the slower wheel. With its stator held the flow goes
on past equal speeds, up to a speed ratio of 1.04 to 1.15 by the wheels' angles (mean-path model,
docs/converter.md). Whoever rules that out takes such a converter for another gear, and never sees its fault.
"""

from __future__ import annotations

from typing import Final

from livemon.estimate.interval import normal

# Before it was seen in first gear from rest, where no other gear can be, and at most. One complaint in
# sixteen is a seized stator (hypotheses.py), and a wrong gear looks so more often.
_LEAST, _MOST = 0.003, 0.9
_CENTRE, _SD = -0.03, 0.05  # of ln(pump speed / turbine speed) then
_BEYOND_SDS: Final = 1.5
NEAR: Final = 0.02  # above, a sound converter is the plainer cause
# Below, none passes torque on: of any wheels, and before it was seen of most, give or take a tyre.
FURTHEST, _FURTHEST_UNSEEN = -0.15, -0.08


class Ahead:
    """`chance` that this stator never turns; `density` of ln slip of an engine that pulls with it."""

    __slots__ = ("chance",)

    def __init__(self) -> None:
        self.chance = _LEAST

    def density(self, x: float) -> float:
        """Of ln(pump speed / turbine speed), times the chance that the stator is held at all."""
        return self.chance * normal(x, _CENTRE, _SD) if x < NEAR else 0.0

    @property
    def furthest(self) -> float:
        """ln(pump speed / turbine speed) below which an engine that pulls is in another gear."""
        return FURTHEST if self.chance > 0.5 else _FURTHEST_UNSEEN

    def learn(self, x: float, x_sd: float, sound: float, weight: float) -> None:
        """x was seen, give or take x_sd, where the gear is certain and the engine pulls. sound: its density
        with a sound converter; weight: share of a look that it counts for."""
        if x > NEAR:
            return
        ratio = normal(x, _CENTRE, _SD) / sound
        if x > -_BEYOND_SDS * x_sd:  # tyre and gauge may be off by so much
            ratio = min(ratio, 1.0)
        odds = self.chance / (1.0 - self.chance) * ratio**weight
        self.chance = min(_MOST, max(_LEAST, odds / (1.0 + odds)))
