"""The hypotheses of the bank: one row per fault and size of fault. A new fault is a row here.

A row says what the fault does to the physics; sizes run from what a workshop would just notice to gross.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, get_args

from livemon.records import FindingName

FINDINGS: Final[tuple[FindingName, ...]] = tuple(
    name for name in get_args(FindingName) if name != "not_enough_evidence"
)
# A car comes to a road test because somebody complained; half of them have none of these, and of the others
# none is rarer. Common practice, no source.
_SOUND: Final = 0.5
PRIOR: Final[dict[FindingName, float]] = {
    name: _SOUND if name == "none" else (1.0 - _SOUND) / (len(FINDINGS) - 1) for name in FINDINGS
}

# How hilly the country is shows in the drive: flat, rolling, mountains. Share; rms of short hills, and of
# what a valley climbs over kilometres, over the usual ones. A mountain road is laid out evenly. Common
# practice, no source.
HILLS: Final = ((0.495, 0.4, 1.0), (0.497, 1.2, 1.0), (0.008, 0.4, 6.0))


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One row. `share` of its finding's prior; the rest is 0 where the fault leaves the physics alone."""

    finding: FindingName
    share: float
    lost: float = 0.0  # share of the stator reaction that is gone
    holds: float = 0.0  # reaction it still holds, of peak engine torque; more, and it lets go until coupling
    seized: float = 0.0  # what a held stator takes past the coupling point, of what the mean path has it take
    held_k: float = 0.0  # and as K feels it: by the angle of the stator's inlet a lot, or next to nothing
    torque_ln: float = 0.0  # ln(torque made / torque seen)
    drag: float = 0.0  # extra constant force over weight
    wander_sd: float = 0.0  # of ln torque over seconds, on top of what every signal wanders
    walk_nm: float = 0.0  # that accessories, switched on and off, add or take within a minute
    hills: float = 1.0  # rms grade over that of rolling country
    valley: float = 1.0  # rms of the slope that lasts for kilometres, over the usual


def hypotheses() -> tuple[Hypothesis, ...]:
    """All rows; shares of one finding sum to 1."""
    rows = [
        Hypothesis("none", 0.94),
        # A compressor or an alternator under load takes 10 to 20 N m that the signal may not know of:
        # switched in mid-drive, a sound engine gets weak. Common practice, no source.
        Hypothesis("none", 0.03, walk_nm=8.0),
        # Torque that comes and goes with the pedal down (misfire, traction control) is no weak engine of
        # workshop size, and nothing in the transmission.
        Hypothesis("none", 0.03, torque_ln=-0.08, wander_sd=0.17),
    ]
    rows += [Hypothesis("stator_not_holding", 0.28, lost=lost) for lost in (0.5, 0.75, 1.0)]
    rows += [Hypothesis("stator_not_holding", 0.08, lost=1.0, holds=holds) for holds in (0.12, 0.25)]
    rows += [Hypothesis("stator_seized", 0.8 / 3, seized=1.0, held_k=k) for k in (0.15, 0.5, 1.0)]
    # Blades that part the flow lose more than the mean path has it; how much more nobody has published.
    rows += [Hypothesis("stator_seized", 0.1, seized=more, held_k=0.15) for more in (2.5, 5.0)]
    # ln of 0.77 to 0.38: less than 20 % down is within what torque signals and loads differ by.
    rows += [
        Hypothesis("engine_low_output", 1 / 5, torque_ln=ln) for ln in (-0.26, -0.40, -0.56, -0.75, -0.97)
    ]
    # 0.02 of weight is 350 N on a mid-size car: one hot brake.
    rows += [Hypothesis("driveline_drag", 1 / 4, drag=drag) for drag in (0.02, 0.035, 0.06, 0.1)]
    return tuple(
        replace(row, share=row.share * share, hills=hills, valley=valley)
        for row in rows
        for share, hills, valley in HILLS
    )
