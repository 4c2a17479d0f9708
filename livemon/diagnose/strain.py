"""How badly the leading cause misses what was measured: what no cause explains must not vote.

The bank trusts its own list of causes. Means over all stretches of one regime, with everything that is not
known in their spread, say whether the leading one of them fits at all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from livemon.diagnose.nuisance import State
from livemon.records import FindingName

if TYPE_CHECKING:
    from livemon.diagnose.diagnoser import Diagnoser

LIMIT: Final = 3.0  # standard deviations
_WHERE: Final = (
    ("r_k", "launch"), ("r_t", "launch"), ("r_k", "pull"), ("r_t", "pull"), ("r_t", "locked"),
)  # fmt: skip
_LEAST_S: Final = 3.0
# What a fault leaves open: how strong it is, or which regime it shows in.
_SOME: Final[dict[str, frozenset[tuple[str, str]]]] = {
    "driveline_drag": frozenset((("r_t", "launch"), ("r_t", "pull"), ("r_t", "locked"))),
    "stator_seized": frozenset((("r_k", "pull"), ("r_t", "pull"))),
    "gear_slip": frozenset(_WHERE),
    "lockup_slip": frozenset((("r_k", "pull"), ("r_t", "pull"), ("r_t", "locked"))),
    "lockup_never_applied": frozenset((("r_k", "pull"), ("r_t", "pull"), ("r_t", "locked"))),
}


class Strain(NamedTuple):
    """The worst misfit: r_k or r_t, in which regime, and by how many standard deviations (signed)."""

    field: str
    regime: str
    z: float


def worst(d: Diagnoser, name: FindingName) -> Strain | None:
    """Where `name` misses what was measured by the most; None when nothing was."""
    found: list[Strain] = []
    open_to = _SOME.get(name, frozenset())
    made = 0.0
    if name == "engine_low_output":
        index = d.bank.best_row(name)
        made = d.bank.rows[index].torque_ln + d.bank.state(index, State.GAIN)[0]
    for field, regime in _WHERE:
        fact = d.stretches.facts.mean(field, regime)
        if fact is None or fact.seconds_s < _LEAST_S:
            continue
        expected = 0.0
        if name == "stator_not_holding" and regime != "locked":
            share = d.bank.rows[d.bank.best_row(name)].lost
            expected = fact.if_lost * share
        elif name == "engine_low_output":
            expected = made if field == "r_t" else 0.5 * made
        if (field, regime) in open_to and (field == "r_k" or fact.mean < 0.0):
            continue
        misfit = fact.mean - expected
        # What a fault leaves over does not count against it as long as it leaves less than a sound vehicle.
        if name == "none" or abs(misfit) > abs(fact.mean):
            found.append(Strain(field, regime, misfit / fact.sd))
    return max(found, key=lambda s: abs(s.z), default=None)


def trust(d: Diagnoser, name: FindingName) -> float:
    """Share of the log evidence that still counts when `name` leads: 1 as long as it fits."""
    strain = worst(d, name)
    if strain is None or abs(strain.z) <= LIMIT:
        return 1.0
    return (LIMIT / strain.z) ** 2
