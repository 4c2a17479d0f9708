"""The sentences about launches, pulls, locked stretches and coasting, each with the way it speaks."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, log
from typing import Final

from livemon import vehicle
from livemon.diagnose import weigh
from livemon.diagnose.facts import Fact
from livemon.diagnose.nuisance import State
from livemon.diagnose.report_evidence import numbers
from livemon.diagnose.said import TESTED, WEAK, Said, Speaks, way
from livemon.diagnose.seen import Seen
from livemon.quantities import STANDARD_GRAVITY_M_S2
from livemon.records import TITLES, FindingName

_SURE_SD: Final = 0.15  # of torque with the clutch on; worse known, agreement is only not knowing
_WIDE: Final = 1.4  # upper over lower end of a band: wider, both ends are said rather than a middle
_VAGUE: Final = 4.0  # wider still, there is no middle worth naming
COASTED_S, _PAST_S = 5.0, 3.0
_DRAGS: Final = 0.03  # of weight, what dragging brakes of workshop size hold back
_WEIGHS: Final = log(2.0)
_REGIMES: Final = {
    "launch": "launches",
    "pull": "pulls with the clutch open",
    "locked": "stretches with the clutch on",
    "coast": "coasting",
    "stationary_in_gear": "standing in gear",
}
_CALLED: Final = {("stator_seized", "coast"): "stretches with the turbine ahead of the engine"}
_SHOWS: Final[dict[str, tuple[str, ...]]] = {  # where a fault acts; the rest tells of mass, load and torque
    "stator_not_holding": ("launch", "pull", "stationary_in_gear"),
    "stator_seized": ("launch", "pull", "coast"),
    "engine_low_output": ("launch", "pull", "locked"),
    "driveline_drag": ("launch", "pull", "locked", "coast"),
}
_ODDS: Final[tuple[tuple[str, Speaks, float], ...]] = (
    ("Odds over a sound vehicle that each part of the drive adds", "for", 1.0),
    ("Odds for a sound vehicle that each part of the drive adds", "against", -1.0),
)
_IN_THE_WHOLE: Final = (
    " By itself this decides nothing; together with mass, curve and torque as the whole drive shows them it "
    "speaks for the call."
)
_MADE_OF: Final[dict[str, str]] = {
    "air_flow": "that its air flow gives", "fuel_rate": "that its fuel rate gives",
    "absolute_load": "that its load signal gives", "calculated_load": "that its load signal gives",
}  # fmt: skip
_REST: Final = "the rest of the drive (it tells mass, load and torque)"
_STATOR: Final = ("stator_not_holding", "stator_seized")


def launch_k(d: Seen, name: FindingName) -> Said | None:
    """Capacity at launch."""
    seen = d.stretches.facts.mean("r_k", "launch")
    if seen is None:
        return None
    weak = made_ln(d, name)
    tail = f"; without stator reaction it would be {_change(seen.if_lost)}"
    if name == "engine_low_output":
        tail += f", with the engine found here {_change(0.5 * weak)}"
    text = (
        f"Over {_count(seen, 'launch', 'launches')} at speed ratios below 0.65 the capacity factor K was "
        f"{off(seen, 'the curve')}{tail}."
    )
    speaks = way(seen, _would(seen, 0.5 * weak) | {"driveline_drag": 0.0}, name)
    return _in_the_whole(d, name, "launch", Said(text, speaks), seen)


def _by_road(d: Seen, regime: str) -> Fact | None:
    """Torque found from the road, which says nothing of a vehicle that may weigh anything."""
    return d.stretches.facts.mean("r_t", regime) if vehicle.weighed(d.vehicle) else None


def launch_t(d: Seen, name: FindingName) -> Said | None:
    """Turbine torque at launch, from the road."""
    seen = _by_road(d, "launch")
    if seen is None:
        return None
    text = (
        "At launch turbine torque found from the road was "
        f"{off(seen, 'what pump torque and torque ratio give')}; with a torque ratio of 1 it would be "
        f"{_change(seen.if_lost)}."
    )
    speaks = way(seen, _would(seen, made_ln(d, name)), name)
    return _in_the_whole(d, name, "launch", Said(text, speaks), seen)


def locked(d: Seen, name: FindingName) -> Said | None:
    """Wheel torque against engine torque; it exonerates only where it is known well enough to."""
    seen = _by_road(d, "locked")
    if seen is None:
        return None
    sure = max(abs(_share(seen.mean, seen.sd, side) - 1.0) for side in (-2, 2)) <= 2.0 * _SURE_SD
    if name in _STATOR:  # they leave it alone, as a sound vehicle does: it tells them from an engine
        speaks = way(seen, {"none": 0.0, "engine_low_output": WEAK}, "none")
    else:
        weak = made_ln(d, name)
        speaks = way(seen, {"none": 0.0, "engine_low_output": weak, "driveline_drag": WEAK}, name)
    if sure and abs(exp(seen.mean) - 1.0) <= _SURE_SD:
        verdict = "engine and road load agree"
        if name in _STATOR:
            verdict += ", so neither lost engine output nor drag explains the loss"
    elif abs(seen.mean) > 2.0 * seen.sd:
        verdict = "engine torque and road load do not agree with the converter out of the path"
        if name in _STATOR:
            verdict += ", which the stator does not explain (a climb, load or brakes would)"
            speaks = "against"
    elif speaks == "neither" and _vague(seen):  # figures that may be anything are not told
        return Said(
            "With the converter clutch on, torque at the wheels was known too badly to tell whether engine "
            "and road load agree.",
            speaks,
        )
    elif speaks == "neither":
        verdict = "too uncertain to tell whether engine and road load agree"
    else:
        verdict = ""
    text = (
        "With the converter clutch on, torque at the wheels found from the road was "
        f"{off(seen, 'engine torque')}{': ' if verdict else ''}{verdict}."
    )
    return Said(text, speaks)


def pulls(d: Seen, name: FindingName) -> Said | None:
    """Pulls with the clutch open, or what of them lies past the coupling point where the stator shows."""
    held = name == "stator_seized"
    k = d.stretches.facts.mean("r_k", "past" if held else "pull")
    t = _by_road(d, "past" if held else "pull")
    if t is None and k is None:
        return None
    parts, ways = [], []
    row = d.bank.rows[d.bank.best_row("stator_seized")] if held else None
    weak = made_ln(d, name)
    if k is not None:
        tail = f"; {_change(row.held_k * k.if_seized)} if the stator never turns" if row else ""
        parts.append(f"K was {off(k, 'the curve', tail)}")
        ways.append(way(k, _would(k, 0.5 * weak, row.held_k * k.if_seized if row else 0.0), name))
    if t is not None:
        tail = f"; {_change(t.if_seized)} if the stator never turns" if held else ""
        parts.append(f"turbine torque found from the road {off(t, 'the model', tail)}")
        ways.append(way(t, _would(t, weak, t.if_seized if held else 0.0), name))
    seen = k or t
    assert seen is not None
    where = " past the coupling point (speed ratio above 0.84)" if held else ""
    text = f"In {_count(seen, 'pull', 'pulls')} with the clutch open{where} {' and '.join(parts)}."
    speaks: Speaks = "against" if "against" in ways else "for" if "for" in ways else "neither"
    return _in_the_whole(d, name, "pull", Said(text, speaks), *filter(None, (k, t)))


def past_coupling(d: Seen) -> Said | None:
    """Whether the turbine ran as fast as a held stator lets it; for a seized stator."""
    told = d.bank.past_coupling
    if told is None or told.seconds_s < _PAST_S:
        return None
    text = (
        f"Past the coupling point in first and second gear ({told.seconds_s:.0f} s, {told.torque_nm:.0f} N m "
        f"at {told.rpm:.0f} rpm on average) the turbine turned at {told.seen:.2f} of engine speed while the "
        f"engine pulled; by its curve a sound converter would turn it at {told.sound:.2f}, one "
        f"whose stator never turns at {told.held:.2f} (± {2 * told.sd:.2f})."
    )
    seen = Fact(told.seen - told.sound, told.sd, 1, told.seconds_s)
    would: dict[FindingName, float] = {"none": 0.0, "stator_seized": told.held - told.sound}
    return Said(text, way(seen, would, "stator_seized"))


def _in_the_whole(d: Seen, name: FindingName, regime: str, said: Said, *means: Fact) -> Said | None:
    """A mean that by itself does not speak for a call its regime speaks for: the bank knows mass, curve and
    torque from the whole drive, a mean does not. One that may be anything and decides nothing is not told."""
    if said.speaks == "for":
        return said
    if name in _SHOWS and d.bank.by_regime(name).get(regime, 0.0) >= _WEIGHS:
        return Said(said.text + _IN_THE_WHOLE)
    return None if said.speaks == "neither" and all(map(_vague, means)) else said


def coasting(d: Seen, name: FindingName) -> Said | None:
    """What holds the vehicle back with the foot off."""
    seen = d.stretches.facts.mean("excess", "coast")
    if seen is None or seen.seconds_s < COASTED_S:
        return None
    text = (
        f"Over {seen.seconds_s:.0f} s of coasting the vehicle was held back by {100 * abs(seen.mean):.1f} % "
        f"of its weight {'more' if seen.mean >= 0 else 'less'} than tyres, air and the engine's own braking "
        f"account for (± {200 * seen.sd:.1f} %; brakes that drag: {100 * _DRAGS:.0f} % and more)."
    )
    drag = max(_DRAGS, d.bank.size("driveline_drag", State.ROLLING)[0])
    return Said(text, way(seen, {"none": 0.0, "engine_low_output": 0.0, "driveline_drag": drag}, name))


def full_pedal(d: Seen, name: FindingName) -> Said | None:
    """Torque reported with the pedal well down, against the rating; for a weak engine or a sound one."""
    best = d.full_pedal.best
    if best is None:
        return None
    step, expected, sd = best
    text = (
        f"With the pedal well down for {step.seconds_s:.0f} s the engine reported {100 * step.share:.0f} % "
        f"of its rating (longest {step.torque_nm:.0f} N m at {step.rpm:.0f} rpm); a sound engine gives "
        f"{100 * expected:.0f} ± {200 * sd:.0f} %"
    )
    shows = d.full_pedal.log_evidence
    if name == "none":
        return Said(f"{text}.", "for" if shows < TESTED else "against" if shows > 0.0 else "neither")
    return Said(f"{text}.") if shows > 0.0 else Said(f"{text}: what it reports shows no loss.", "neither")


def made(d: Seen) -> Said:
    """How much of its reported torque the engine makes."""
    n = numbers(d, "engine_low_output")
    return Said(
        "Launch, pull and road load together fit an engine making "
        f"{n['torque_made_of_seen_pct']} % of the torque {_MADE_OF.get(d.torque_source, 'it reports')} "
        f"(± {_twice(n['torque_made_of_seen_sd_pct'])} %)."
    )


def drag(d: Seen) -> Said:
    """The force that all regimes together ask for."""
    n = numbers(d, "driveline_drag")
    weight_n = d.vehicle.mass_kg.value * STANDARD_GRAVITY_M_S2
    force = n["extra_force_n"]
    share = f", {100.0 * force / weight_n:.1f} % of its weight" if isinstance(force, int | float) else ""
    return Said(
        f"All regimes together fit an extra retarding force of {force} N "
        f"(± {_twice(n['extra_force_sd_n'])} N){share}."
    )


def weighed(d: Seen, name: FindingName) -> list[Said | None]:
    """Which regimes decide: the odds each gives the call over a sound vehicle, mass, curve and torque found
    from the whole drive."""
    told: dict[str, float] = {}
    for regime, ln in d.bank.by_regime(name).items():
        what = _CALLED.get((name, regime), _REGIMES[regime]) if regime in _SHOWS[name] else _REST
        told[what] = told.get(what, 0.0) + ln
    found: list[Said | None] = []
    for lead, speaks, sign in _ODDS:
        listed = sorted(((sign * ln, what) for what, ln in told.items() if sign * ln > _WEIGHS), reverse=True)
        if listed:
            odds = ", ".join(f"{what} {_odds(ln)} to 1" for ln, what in listed)
            found.append(Said(f"{lead}: {odds}.", speaks))
    return found


def sound(d: Seen) -> Said | None:
    """The odds of a sound vehicle over each fault that the drive speaks against."""
    codes = d.codes.log_evidence()
    driven = {name: ln - codes.get(name, 0.0) for name, ln in weigh.evidence(d).items() if name != "none"}
    listed = sorted((-ln, TITLES[name]) for name, ln in driven.items() if ln < TESTED)
    if not listed:
        return None
    odds = ", ".join(f"{_odds(ln)} to 1 over {what}" for ln, what in reversed(listed))
    return Said(f"Odds for a sound vehicle by what was driven: {odds}.")


def made_ln(d: Seen, name: FindingName) -> float:
    """ln of the torque made of that reported: as found where the engine is called, else of workshop size."""
    return d.bank.size("engine_low_output", State.GAIN)[0] if name == "engine_low_output" else WEAK


def _would(seen: Fact, weak: float, seized: float = 0.0) -> dict[FindingName, float]:
    """What the mean would be under each finding of converter and engine."""
    return {
        "none": 0.0, "stator_not_holding": seen.if_lost, "stator_seized": seized, "engine_low_output": weak,
    }  # fmt: skip


def off(seen: Fact, what: str, also: str = "") -> str:
    """A mean of ln ratios in per cent, with the band of two standard deviations."""
    low, high = (_share(seen.mean, seen.sd, side) for side in (-2, 2))
    if high < _WIDE * low:
        return f"{_change(seen.mean)} {what} (± {50 * (high - low):.0f} %{also})"
    if _vague(seen):
        return f"between {100 * low:.0f} and {100 * high:.0f} % of {what}{also}"
    return f"{_change(seen.mean)} {what} (between {100 * low:.0f} and {100 * high:.0f} % of it{also})"


def _vague(seen: Fact) -> bool:
    return _share(seen.mean, seen.sd, 2) > _VAGUE * _share(seen.mean, seen.sd, -2)


def _share(mean: float, sd: float, side: int) -> float:
    return exp(min(mean + side * sd, 2.3))


def _change(log_ratio: float) -> str:
    change = 100.0 * (exp(log_ratio) - 1.0)
    return f"{abs(change):.0f} % {'above' if change >= 0 else 'below'}"


def _count(seen: Fact, one: str, several: str) -> str:
    return f"{seen.stretches} {one if seen.stretches == 1 else several}"


def _odds(ln: float) -> str:
    return f"{exp(ln):.0f}" if ln < log(1000.0) else "more than 1000"


def _twice(sd: float | int | str | None) -> str:
    return f"{2 * sd:.0f}" if isinstance(sd, int | float) else "not known"


def strained(d: Seen, where: tuple[str, str], name: FindingName) -> Said | None:
    """The sentence about one regime's mean that misses sound."""
    return _TELLS[where](d, name)


_TELLS: Final[dict[tuple[str, str], Callable[[Seen, FindingName], Said | None]]] = {
    ("r_k", "launch"): launch_k,
    ("r_t", "launch"): launch_t,
    ("r_k", "pull"): pulls,
    ("r_t", "pull"): pulls,
    ("r_t", "locked"): locked,
}
