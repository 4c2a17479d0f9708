"""One moment of the gear chain: what was weighed, and what it says of gear, clutch and turbine."""

from __future__ import annotations

from typing import Final

from livemon.estimate.box import Rates
from livemon.estimate.gear_evidence import GearEvidence

RARE: Final = 0.025  # what is less likely lies outside two standard deviations and is left there
_STARTS_IN_GEAR: Final = 0.97  # probability: some boxes start in second now and then

Five = tuple[list[float], list[float], list[float], list[float], list[float]]  # open, closing, lock, up, down


class Tick:
    """One moment of the chain. Gears count from 0. The results are of the smoothed chain once settled."""

    __slots__ = (
        "alpha",
        "closing",
        "driven",
        "evidence",
        "first",
        "gear",
        "leaving",
        "locked",
        "mean_k",
        "neutral",
        "open_x",
        "probability",
        "rates",
        "shifting",
        "spread_k2",
        "still",
        "t",
        "telling",
        "told",
    )  # fmt: skip

    def __init__(self, t: float) -> None:
        self.t = t
        self.evidence: list[GearEvidence] = []  # of gears first, first + 1, ...
        self.leaving: list[Rates] = []
        self.first = 0
        self.rates = (0.0, 0.0, 0.0)
        self.alpha: Five | None = None
        self.gear, self.probability, self.locked, self.shifting = 0, 1.0, 0.0, 0.0
        self.closing = 0.0  # likewise that the clutch is on its way
        self.mean_k = self.spread_k2 = 0.0  # rpm per km/h of the turbine while open, and its variance
        self.still = self.telling = self.driven = False  # driven: the road turns the engine
        self.told = True  # torque by the engine, not by the road
        self.neutral = 0.0
        self.open_x = 0.0  # ln slip to be expected of an open converter in this gear

    def sum_up(self, five: Five, k: list[float]) -> None:
        """From the shares of the states to gear, clutch, shift and turbine; k: rpm per km/h of each gear."""
        o, a, c, u, d = five
        first, beyond = self.first, self.first + len(self.evidence)
        best, top, shifting = first, -1.0, 0.0
        for g in range(first, beyond):
            shifting += u[g] + d[g]
            here = o[g] + a[g] + c[g] + u[g] + d[g]
            if here > top:
                best, top = g, here
        engaged = o[best] + a[best] + c[best]
        self.gear, self.probability, self.shifting = best, top, shifting
        self.locked, self.closing = (c[best] / engaged, a[best] / engaged) if engaged > 0.0 else (0.0, 0.0)
        # the turbine while open: every gear, and every way between two, by its share
        weight = o[best] + a[best] if self.locked < 0.999 else engaged
        mean, square = weight * k[best], weight * k[best] * k[best]
        for g in range(first, beyond):
            if g != best and (share := o[g] + a[g]) > RARE:
                mean += share * k[g]
                square += share * k[g] * k[g]
                weight += share
            if (share := u[g] + d[g]) > RARE:
                low, high = k[g + 1], k[g]
                middle = 0.5 * (low + high)
                mean += share * middle
                # most of a shift's time is spent near its ends: between even (1/12) and at the ends (1/4)
                square += share * (middle * middle + (high - low) ** 2 / 5.0)
                weight += share
        if weight < 1e-9:
            self.mean_k, self.spread_k2 = k[best], 0.0
            return
        self.mean_k = mean = mean / weight
        self.spread_k2 = max(square / weight - mean * mean, 0.0)

    def open_k(self, other: Tick, t: float) -> tuple[float, float]:
        """mean_k and spread_k2 between the two at t: a shift moves hundreds of rpm in a tick."""
        share = abs((t - self.t) / (other.t - self.t))
        rest = 1.0 - share
        return (
            rest * self.mean_k + share * other.mean_k,
            rest * self.spread_k2 + share * other.spread_k2,
        )


def at_rest(t: float, neutral: float, gear: int = 0) -> Tick:
    """Standing still, the next start in `gear`; `neutral`: probability that nothing holds the turbine."""
    tick = Tick(t)
    tick.gear, tick.probability, tick.still, tick.neutral = gear, _STARTS_IN_GEAR, True, neutral
    return tick
