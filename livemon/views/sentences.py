"""The words every view shares: findings, regimes and places as a technician would say them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from math import isfinite
from typing import Final, get_args

from livemon.quantities import CALL_FROM, KMH_TO_M_S
from livemon.records import INSIDE, MISFIRES, MISFITS, TITLES, Estimate, FindingName, Regime, Warning, Where

FINDINGS: Final[tuple[FindingName, ...]] = get_args(FindingName)
CAUSES: Final = tuple(name for name in FINDINGS if name != "not_enough_evidence")

SENTENCE: Final[dict[FindingName, str]] = {
    "none": "In what this drive tested no fault of converter, transmission, engine pull or driveline shows.",
    "not_enough_evidence": "This drive does not hold enough evidence to make a call.",
    "stator_not_holding": "The stator's one-way clutch does not hold: the converter multiplies no torque.",
    "stator_seized": "The stator is seized: it does not turn free at speed, where the converter then drags.",
    "lockup_shudder": "The converter clutch shudders while it is applied.",
    "lockup_slip": "The converter clutch slips while it is applied.",
    "lockup_never_applied": "The converter clutch does not come on in steady cruise, where it should.",
    "gear_slip": "A gear slips: a clutch or band inside the transmission does not hold.",
    "engine_low_output": "The engine makes too little torque: the cause lies outside the transmission.",
    "driveline_drag": "Something drags: brakes, a bearing, tyres or load hold the vehicle back.",
}

# Where no fault can be named, though not all that was seen fits a sound vehicle.
_MISFITS: Final = (
    "No fault of converter, transmission, engine pull or driveline can be named, but not all that was seen "
    "fits a sound vehicle."
)
_CONTROLLED: Final = "lockup_never_applied"
VAGUE_RPM: Final = 100.0  # a band wider than the value itself, and wider than this, leaves nothing of it
# For the columns of a screen or table: at most 24 characters.
SHORT: Final[dict[FindingName, str]] = {
    name: title.removeprefix("converter ") for name, title in TITLES.items()
} | {"not_enough_evidence": "not enough evidence"}

REGIME: Final[dict[Regime, str]] = {
    "stationary_in_gear": "standing in gear",
    "neutral": "neutral or park",
    "launch": "launch",
    "pull": "pulling, unlocked",
    "locked": "clutch locked",
    "coast": "coasting",
    "shift": "shifting",
    "unknown": "state unknown",
}

WHERE: Final[dict[Where, str]] = {
    "inside_transmission": "inside the transmission",
    "outside_transmission": "outside the transmission",
    "no_fault": "none of the faults looked for is shown",
    "unknown": "inside or outside cannot be told yet",
}

QUANTITY: Final[dict[str, str]] = {
    "engine_rpm": "engine speed",
    "vehicle_kmh": "road speed",
    "turbine_rpm": "turbine speed",
    "output_rpm": "output speed",
    "engine_torque_nm": "engine torque",
    "engine_torque_pct": "engine torque",
    "reference_torque_nm": "reference torque",
    "demand_torque_pct": "torque demand",
    "friction_torque_pct": "friction torque",
    "air_flow_g_s": "air flow",
    "absolute_load_pct": "engine load",
    "calculated_load_pct": "calculated load",
    "manifold_kpa": "manifold pressure",
    "barometric_kpa": "air pressure",
    "throttle_pct": "throttle",
    "pedal_pct": "pedal",
    "gear": "gear",
    "lockup": "lockup",
    "brake": "brake",
    "relative_throttle_pct": "relative throttle",
    "relative_pedal_pct": "relative pedal",
    "intake_air_c": "intake air",
    "ambient_c": "outside air",
    "module_voltage_v": "voltage",
    "fuel_rate_l_h": "fuel rate",
    "fuel_level_pct": "fuel level",
    "odometer_km": "odometer",
    "engine_run_s": "engine run time",
    "coolant_c": "coolant",
    "oil_c": "engine oil",
    "transmission_oil_c": "transmission oil",
}

SAFETY: Final = (
    "The driver drives; a second person watches. Nothing is ever written to the vehicle.",
    "Stall check: only where the maker's procedure allows it; wheels chocked, brakes and parking brake hard"
    " on, nobody in front or behind, five seconds at most, one minute in neutral between tries; stop at once"
    " if the wheels turn or the speed passes the specification.",
    "Fluid and exhaust parts are hot after a drive; lift and support the vehicle as its maker says.",
    "The call supports a licensed technician's judgement, the maker's procedure and local law;"
    " it does not replace them.",
)

# Words that order work that can hurt someone, and the caution that goes with it.
_ORDERS: Final = (
    (
        r"again|launch|launches|pull|cruise|coast-down|brake tap|minute drive|while it slips|under load"
        r"|in that gear",
        SAFETY[0],
    ),
    (r"stall", SAFETY[1]),
    (
        r"fluid|valve body|converter out|pan off|comes? out|off the ground|raised?|lift"
        r"|(line|apply|back)[ -]pressure",
        SAFETY[2],
    ),
)
_SAID: Final = "wheels chocked"  # a stall check that brings its own cautions needs no other

_ASCII: Final = str.maketrans(
    {"±": "+/-", "×": "x", "–": "-", "—": "-", "−": "-", "·": "*", "°": " deg ", "√": "sqrt ", "²": "2",
     "³": "3", "…": "...", "≤": "<=", "≥": ">=", "≈": "~", "µ": "u", "’": "'", "‘": "'",
     "“": '"', "”": '"', "→": "->"}
)  # fmt: skip


def headline(finding: FindingName, because: Iterable[str], against: Iterable[str] = ()) -> str:
    """The call in a sentence; an engine that misfires is what the driver feels, whatever is sound."""
    text = SENTENCE.get(finding, finding)
    if finding == "none" and any(line.startswith(MISFITS) for line in against):
        text = _MISFITS
    return f"{text} The engine misfires." if misfires(finding, because) else text


def misfires(finding: FindingName, because: Iterable[str]) -> bool:
    """Whether no fault is called and the call says that the engine misfires."""
    return finding in ("none", "not_enough_evidence") and any(MISFIRES in line for line in because)


def place(where: Where, probabilities: Mapping[FindingName, float]) -> str:
    """Inside or outside, in words; where none can be named, how likely any inside is may be known still."""
    inside = sum(probabilities.get(name, 0.0) for name in INSIDE)
    if where == "unknown" and inside >= CALL_FROM:
        return f"most likely inside the transmission ({percent(inside)}), but which fault cannot be told yet"
    if where == "inside_transmission" and max(CAUSES, key=lambda n: probabilities.get(n, 0.0)) == _CONTROLLED:
        return f"{WHERE[where]}, or its control"
    return WHERE[where]


def quantity(name: str) -> str:
    """A quantity as a technician says it."""
    return QUANTITY.get(name) or name.replace("_", " ")


def clock(time_s: float) -> str:
    """Drive time as minutes and seconds: 754.3 s is 12:34."""
    minutes, seconds = divmod(int(max(0.0, time_s)) if isfinite(time_s) else 0, 60)
    return f"{minutes:02d}:{seconds:02d}"


def percent(probability: float) -> str:
    """A probability as a whole per cent that never claims certainty."""
    if not isfinite(probability):
        return "-"
    if probability >= 0.995:
        return ">99 %"
    if 0.0 < probability < 0.01:
        return "<1 %"
    return f"{100.0 * probability:.0f} %"


def warned(warning: Warning, probability: float | None) -> str:
    """A warning in words. `probability`: how likely it is at the time of reading, if that is known."""
    text = warning.sentence or SENTENCE.get(warning.finding, warning.finding)
    if not warning.raised:
        return text if "withdrawn" in text else f"withdrawn: {text}"
    possible = probability is not None and probability < CALL_FROM
    return f"possible: {text}" if possible else text


def vague(value: float | None, sd: float) -> bool:
    """Whether a speed [rpm] is known so badly that the figure says nothing. None is not known at all."""
    return value is not None and not 2.0 * sd <= max(abs(value), VAGUE_RPM)


def road_kmh(estimate: Estimate | None) -> float | None:
    """Road speed [km/h], where it is known."""
    speed = estimate.road_speed_m_s if estimate is not None else None
    return None if speed is None else speed / KMH_TO_M_S


def marked(estimate: Estimate | None) -> str:
    """A moment somebody marked, with road speed and pedal where they are known."""
    kmh, pedal = road_kmh(estimate), estimate.pedal_pct if estimate is not None else None
    at = [f"at {kmh:.0f} km/h"] if kmh is not None else []
    with_pedal = [f"pedal {pedal:.0f} %"] if pedal is not None else []
    return " ".join(["marked", ", ".join(at + with_pedal)]).strip()


def cautions(orders: Iterable[str]) -> list[str]:
    """The cautions that go with what is to be checked next, each once."""
    told = " ".join(orders)
    return [
        caution
        for words, caution in _ORDERS
        if re.search(rf"\b({words})\b", told, re.IGNORECASE) and not (_SAID in caution and _SAID in told)
    ]


def clean(text: object) -> str:
    """Text from outside on one line, without control characters that could drive the terminal."""
    return "".join(c if c.isprintable() else " " for c in str(text))


def fit_encoding(text: str, encoding: str | None) -> str:
    """The text in characters that `encoding` can write; None writes any."""
    try:
        text.encode(encoding or "utf-8")
    except (UnicodeEncodeError, LookupError):
        return text.translate(_ASCII).encode("ascii", "replace").decode()
    return text
