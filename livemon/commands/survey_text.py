"""A survey as text of at most 80 columns, and as a JSON-ready dict. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, field
from textwrap import wrap
from typing import Any, Final

from livemon.commands.survey_scope import Scope
from livemon.identifiers import ENGINE, TRANSMISSION
from livemon.views.sentences import SAFETY, SHORT, clean, quantity
from livemon.vin import mask

WIDTH: Final = 80
KINDS: Final = ("stored", "pending", "permanent")
USUAL: Final = {
    ENGINE[False]: "engine", TRANSMISSION[False]: "transmission (usually)", ENGINE[True]: "engine (usually)",
}  # fmt: skip
_NOT_SHOWN: Final = ("broadcast_asks", "asks_without_link")  # part of any beginning


@dataclass(slots=True)
class Found:
    """What the survey saw of one vehicle."""

    link: str
    answered: Set[str] = frozenset()  # quantities
    units: dict[int, float] = field(default_factory=dict)  # answering identifier -> median answer time [s]
    unit_names: Mapping[int, str] = field(default_factory=dict)
    supported: Mapping[int, set[int]] = field(default_factory=dict)
    vin: str | None = None
    codes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    freeze_frame: Mapping[str, float | str] = field(default_factory=dict)
    rates: dict[str, dict[str, float]] = field(
        default_factory=dict
    )  # regime -> quantity -> readings a second
    scopes: list[Scope] = field(default_factory=list)
    to_set: list[str] = field(default_factory=list)
    counters: Mapping[str, int] = field(default_factory=dict)
    interrupted: bool = False


def lines(found: Found, *, full_vin: bool) -> list[str]:
    """The survey for reading. full_vin: on a screen; in files most of the VIN is masked unless asked."""
    out = [f"Survey of {clean(found.link)}", "", *_units(found)]
    if found.vin is not None:
        out += ["", f"VIN    {clean(found.vin if full_vin else mask(found.vin))}"]
    elif found.units:
        out += ["", "VIN    not answered"]
    if found.units:
        out += ["", *_codes(found), *_freeze_frame(found)]
    if found.rates:
        out += ["", *_rates(found)]
    if found.scopes:
        out += ["", "What can be judged on this vehicle"]
    for scope in found.scopes:
        out += _hanging(f"  {SHORT[scope.finding]:<24} {scope.reach:<7} ", scope.why)
    if found.interrupted:
        out += ["", *_hanging("Interrupted  ", "what was not reached is left out; survey again for the rest")]
    if found.to_set:
        out += ["", "To have more judged"]
        out += [line for advice in found.to_set for line in _hanging("  - ", advice)]
    counted = {name: count for name, count in found.counters.items() if count and name not in _NOT_SHOWN}
    if counted:
        text = ", ".join(f"{name.replace('_', ' ')} {count}" for name, count in sorted(counted.items()))
        out += ["", *_hanging("Counted  ", text)]
    return [*out, "", *(line for sentence in SAFETY[::3] for line in wrap(sentence, WIDTH))]


def _units(found: Found) -> list[str]:
    if not found.units:
        return [
            "Nobody had answered yet" if found.interrupted else "Nothing was asked: broadcast frames only"
        ]
    out = ["Control units"]
    for can_id, answer_s in sorted(found.units.items()):
        name = found.unit_names.get(can_id) or USUAL.get(can_id, "")
        pids = found.supported.get(can_id, set())
        out.append(
            f"  {can_id:X}  {clean(name)[:30]:<24}{len(pids):3d} PIDs, answers in {1000 * answer_s:.0f} ms"
        )
        if pids:
            out += _hanging("       ", " ".join(f"{pid:02X}" for pid in sorted(pids)))
    return out


def _codes(found: Found) -> list[str]:
    out = []
    for kind in KINDS:
        codes = found.codes.get(kind)
        label = f"{'Codes' if kind == 'stored' else '':<7}{kind:<10}"
        if codes is None:
            out.append(label + "not answered")
        elif not codes:
            out.append(label + "none")
        for at, (code, name) in enumerate((codes or {}).items()):
            out += _hanging(label if at == 0 else " " * len(label), f"{code} {clean(name)}")
    return out


def _freeze_frame(found: Found) -> list[str]:
    frame = dict(found.freeze_frame)
    if not frame:
        return []
    code = frame.pop("code", "a code")
    values = ", ".join(f"{quantity(name)} {_number(value)}{_unit(name)}" for name, value in frame.items())
    return ["", *_hanging(f"When {clean(code)} was stored: ", values or "no values answered")]


def _rates(found: Found) -> list[str]:
    regimes = list(found.rates)
    names = {name: None for rates in found.rates.values() for name in rates}
    out = [f"{'Answers a second':<26}" + "".join(f"{regime:>14}" for regime in regimes)]
    for name in names:
        row = "".join(f"{found.rates[regime].get(name, 0.0):14.1f}" for regime in regimes)
        out.append(f"  {quantity(name)[:24]:<24}{row}")
    total = "".join(f"{sum(found.rates[regime].values()):14.1f}" for regime in regimes)
    return [*out, f"  {'all together':<24}{total}"]


def _number(value: float | str) -> str:
    return f"{value:.1f}".removesuffix(".0") if isinstance(value, float) else clean(value)


def _unit(name: str) -> str:
    from livemon.quantities import QUANTITIES

    unit = QUANTITIES.get(name, "1")
    return "" if unit == "1" else f" {unit}"


def _hanging(first: str, text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first)) or [first.rstrip()]


def as_dict(found: Found, *, full_vin: bool) -> dict[str, Any]:
    """The survey for other programs; keys carry units."""
    vin = found.vin and (found.vin if full_vin else mask(found.vin))
    return {
        "schema": 1,
        "link": found.link,
        "vin": vin,
        "units": [
            {
                "id": f"{can_id:X}",
                "name": found.unit_names.get(can_id),
                "answer_s": round(answer_s, 4),
                "pids": _hex(found.supported.get(can_id, ())),
            }
            for can_id, answer_s in sorted(found.units.items())
        ],
        "codes": {kind: dict(found.codes[kind]) if kind in found.codes else None for kind in KINDS},
        "freeze_frame": dict(found.freeze_frame),
        "rates_per_s": {
            regime: {name: round(rate, 2) for name, rate in rates.items()}
            for regime, rates in found.rates.items()
        },
        "can_judge": [scope._asdict() for scope in found.scopes],
        "to_set": found.to_set,
        "counters": dict(found.counters),
    }


def _hex(pids: Iterable[int]) -> list[str]:
    return [f"{pid:02X}" for pid in sorted(pids)]
