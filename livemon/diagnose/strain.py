"""How badly a sound vehicle misses what was measured: a drive that strains it is not called sound."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from livemon.diagnose.facts import Facts

LIMIT: Final = 3.0  # standard deviations
_WHERE: Final = (
    ("r_k", "launch"), ("r_t", "launch"), ("r_k", "pull"), ("r_t", "pull"), ("r_t", "locked"),
)  # fmt: skip
_LEAST_S: Final = 3.0


class Strain(NamedTuple):
    """The worst misfit: r_k or r_t, in which regime, and by how many standard deviations (signed)."""

    field: str
    regime: str
    z: float


def strained(facts: Facts) -> Strain | None:
    """Where the means over a regime lie farthest from sound, with all that is not known in their spread.

    None as long as that is within the limit.
    """
    found: list[Strain] = []
    for field, regime in _WHERE:
        fact = facts.mean(field, regime)
        if fact is not None and fact.seconds_s >= _LEAST_S and abs(fact.mean) > LIMIT * fact.sd:
            found.append(Strain(field, regime, fact.mean / fact.sd))
    return max(found, key=lambda s: abs(s.z), default=None)
