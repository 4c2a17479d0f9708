"""All evidence of a drive put together: what bank, clutch, full pedal, shaking and codes each say, and where
what one says is a suspicion at most, because what would show the fault by itself was not driven.
"""

from __future__ import annotations

from math import exp, hypot, log
from typing import Final

from livemon.diagnose.hypotheses import FINDINGS
from livemon.diagnose.mixture import mixture
from livemon.diagnose.nuisance import State
from livemon.diagnose.seen import Seen
from livemon.diagnose.shudder import with_slip
from livemon.diagnose.standing import engine_low, posterior
from livemon.records import FindingName
from livemon.vehicle import weighed

BY_MASS: Final[frozenset[FindingName]] = frozenset(("engine_low_output", "driveline_drag"))
CRUISE_S: Final = 15.0  # of steady cruise: less does not show whether the clutch comes on
_LEAST_REACTION_S: Final = 1.0  # at speed ratios where the stator's reaction shows
# So far above that of a lost reaction, K at launch denies one; what that is itself is not known more closely.
_DENIES_SD, _LOST_SD = 2.0, 0.06
_LEAST_SHOWN_S: Final = 2.0  # slip above target with the clutch on; under load, which is where it shows
_SUSPICION: Final = log(4.0)
_WORN_TO_NOTHING: Final = 0.2  # of worn clutches. Common practice, no source
_UNSEEN: Final = log(10.0)  # the scatter of slip, or acceleration, fits it, but nothing stood out


def evidence(d: Seen) -> dict[FindingName, float]:
    """ln likelihood ratio of each finding against none."""
    if d.file_fit.off is not None:
        return dict.fromkeys(FINDINGS, 0.0)
    road = d.bank.log_finding(d.full_pedal.gain)
    if not weighed(d.vehicle):  # K alone tells no weak engine from another converter
        road |= {name: min(road[name], 0.0) for name in BY_MASS}
    if road["engine_low_output"] > 0.0 and _makes_its_rating(d):
        road["engine_low_output"] = 0.0
    launched = any(d.stretches.facts.mean(field, "launch") for field in ("r_k", "r_t"))
    unseen = not launched and d.bank.reaction_s < _LEAST_REACTION_S
    if unseen or _launches_like_new(d):
        road["stator_not_holding"] = min(road["stator_not_holding"], _SUSPICION)
    slip, never, gear = _clutch(d)
    # Scatter says that something shakes, the spectrum what: the first is not told by the second again.
    shakes = d.shakes.against_none(*d.shudder.over_sound_and_engine)
    shakes, slip = with_slip(shakes, slip)
    told: dict[FindingName, float] = {
        "none": 0.0,
        "stator_not_holding": road["stator_not_holding"],
        "stator_seized": min(road["stator_seized"], _UNSEEN + _runs_ahead(d)),
        "engine_low_output": engine_low(road["engine_low_output"], d.full_pedal.log_evidence),
        "driveline_drag": road["driveline_drag"],
        "gear_slip": gear,
        "lockup_slip": slip,
        "lockup_shudder": shakes,
        "lockup_never_applied": never,
    }
    for name, value in d.codes.log_evidence().items():
        told[name] += value
    return told


def standing(d: Seen) -> dict[FindingName, float]:
    """Probability of every finding but not_enough_evidence, as of now; sums to 1."""
    return posterior(evidence(d), converter_seen=d.presence.seen, clutch_car=d.presence.clutch_car)


def _clutch(d: Seen) -> tuple[float, float, float]:
    """ln evidence that the clutch slips, that it never comes on, and that a gear slips."""
    slip, never, gear = d.lockup_watch.log_evidence()
    slip = mixture(_WORN_TO_NOTHING, never, slip)  # worn to nothing, it looks like never on
    # What was never seen where it shows by itself is a suspicion at most, whatever fits better with it.
    totals = d.lockup_watch.totals
    if totals.slipping_loaded_s < _LEAST_SHOWN_S:
        slip = min(slip, _UNSEEN)
    if totals.slipping_s < _LEAST_SHOWN_S:
        if slip > max(never, 0.0) and totals.open_cruise_s > totals.applied_s:
            slip = never = slip - log(2.0)  # holds next to nothing, or never comes on: which?
        else:
            slip = min(slip, _UNSEEN)
    if totals.hardly_applied and totals.open_cruise_s < CRUISE_S:
        never = min(never, _UNSEEN)
    if not d.torque_source:  # K tells neither: a clutch that does not hold, or never comes on
        slip = never = mixture(0.5, slip, never)
    return slip, never, gear


def _runs_ahead(d: Seen) -> float:
    """ln evidence that the turbine runs as fast as a held stator lets it: what acceleration alone says of one
    may be a hill."""
    past = d.bank.past_coupling
    return 0.0 if past is None else max(0.0, past.log_held)


def _makes_its_rating(d: Seen) -> bool:
    made, _ = d.bank.size("engine_low_output", State.GAIN)
    return d.full_pedal.sound_by_rating(exp(made))


def _launches_like_new(d: Seen) -> bool:
    """K at launch is too high for a lost reaction; torque ratio alone may be the brakes."""
    k = d.stretches.facts.mean("r_k", "launch")
    return k is not None and k.mean - k.if_lost > _DENIES_SD * hypot(k.sd, _LOST_SD)
