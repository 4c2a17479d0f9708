"""The vehicle file: TOML in, Vehicle out, and back. Every complaint names the line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from itertools import pairwise
from math import pi
from pathlib import Path
from typing import Any, Final, NoReturn

from livemon.errors import UsageError
from livemon.files import read_whole, write_whole
from livemon.vehicle import Known, Vehicle, curves_of
from livemon.vehicle_keys import KEYS, Kind, Number, Words

_MOST_BYTES: Final = 1 << 20  # a full one has a few thousand
_SIZING = ("torque_curve", "peak_torque_nm", "displacement_l")  # what an unnamed converter is sized by


def load(path: str | Path) -> Vehicle:
    """Read a vehicle file. UsageError names path:line, what was expected and what came."""
    try:
        text = read_whole(path, "a readable vehicle file", _MOST_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UsageError("UTF-8 text", "other bytes", str(path), "save the file as UTF-8") from None
    return parse(text.replace("\r\n", "\n").replace("\r", "\n"), str(path))


def parse(text: str, where: str) -> Vehicle:
    """The vehicle a file's text describes; `where` names it in complaints."""
    return _Reader(where, text).vehicle()


class _Reader:
    """One vehicle file being read; remembers the text so that complaints can point into it."""

    def __init__(self, path: str, text: str) -> None:
        self._path, self._text = path, text

    def vehicle(self) -> Vehicle:
        try:
            document = tomllib.loads(self._text)
        except (
            ValueError,
            RecursionError,
        ) as error:  # TOMLDecodeError, and numbers or nesting beyond Python's
            line = re.search(r"at line (\d+)", str(error))
            where = f"{self._path}:{line[1]}" if line else f"{self._path}:{self._text.count(chr(10)) + 1}"
            raise UsageError("TOML", str(error), where, "correct that line") from None
        fields: dict[str, Any] = {}
        for section, table in self._sections(document):
            for key, value in table.items():
                kind = KEYS[section].get(key)
                if kind is None:
                    self._unknown(section, key)
                checked = self._check(section, key, kind, value)
                if section == "broadcast":
                    fields.setdefault("broadcast", {})[key] = checked
                elif key != "schema":
                    fields[key] = checked
        self._together(fields)
        vehicle = Vehicle(**usual_for(fields.get("displacement_l"), fields.get("fuel")) | fields)
        vehicle = replace(vehicle, path=self._path)
        self._converter(vehicle, fields)
        return vehicle

    def _sections(self, document: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
        top: dict[str, Any] = {}
        sections = [("", top)]
        for name, value in document.items():
            if name in KEYS and name:
                if not isinstance(value, dict):
                    do = f"write [{name}] on a line of its own"
                    self._fail("", name, f"a section [{name}]", _shown(value), do)
                sections.append((name, value))
            elif isinstance(value, dict):
                known = [section for section in KEYS if section]
                near = get_close_matches(name, known, 1, 0.4)
                hint = f"did you mean [{near[0]}]?" if near else "known: " + ", ".join(known)
                self._fail(name, "", "a known section", f"[{name}]", hint)
            else:
                top[name] = value
        return sections

    def _unknown(self, section: str, key: str) -> NoReturn:
        near = get_close_matches(key, KEYS[section], 1, 0.5)
        if near:
            hint = f"did you mean {near[0]}?"
        else:
            homes = [s for s, keys in KEYS.items() if key in keys or get_close_matches(key, keys, 1, 0.75)]
            hint = (
                f"it belongs in [{homes[0]}]" if homes and homes[0] else "known: " + ", ".join(KEYS[section])
            )
        self._fail(section, key, f"a known key{f' of [{section}]' if section else ''}", key, hint)

    def _check(self, section: str, key: str, kind: Kind, value: Any) -> Any:
        if isinstance(kind, Words):
            if not isinstance(value, str) or not value.strip():
                self._fail(section, key, f"text for {key}", _shown(value), f'write {key} = "..."')
            if kind.choices and value not in kind.choices:
                options = " or ".join(f'"{c}"' for c in kind.choices)
                self._fail(section, key, f"{options} for {key}", _shown(value), "use one of these")
            return value
        if isinstance(kind, Number):
            number = self._number(section, key, kind, value)
            if kind.whole:
                return int(number)
            return number if kind.sd is None else Known(number, kind.sd * number)
        if not isinstance(value, list) or len(value) < kind.least:
            self._fail(
                section,
                key,
                f"a list of at least {kind.least} for {key}",
                _shown(value),
                f"like {key} = {kind.example}",
            )
        if len(kind.columns) == 1:
            return tuple(self._number(section, key, kind.columns[0], item) for item in value)
        rows = []
        for row in value:
            if not isinstance(row, list) or len(row) != len(kind.columns):
                self._fail(
                    section,
                    key,
                    f"rows of {len(kind.columns)} numbers",
                    _shown(row),
                    f"like {key} = {kind.example}",
                )
            rows.append(
                tuple(self._number(section, key, c, x) for c, x in zip(kind.columns, row, strict=True))
            )
        for before, after in pairwise(rows):
            if after[0] <= before[0]:
                self._fail(
                    section,
                    key,
                    "a first column that rises",
                    f"{before[0]:g} then {after[0]:g}",
                    "sort the rows",
                )
        return tuple(rows)

    def _number(self, section: str, key: str, kind: Number, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            self._fail(section, key, f"a number for {key}", _shown(value), "write it without quotes")
        if not kind.low <= value <= kind.high or (kind.whole and value != int(value)):
            unit = f" {kind.unit}" if kind.unit else ""
            span = f"{kind.low:g}" if kind.low == kind.high else f"{kind.low:g} to {kind.high:g}{unit}"
            self._fail(
                section,
                key,
                f"{key} {'= ' if kind.low == kind.high else 'of '}{span}",
                _shown(value),
                "check value and unit",
            )
        return float(value)

    def _together(self, fields: dict[str, Any]) -> None:
        """Checks that take more than one key."""
        if "tyre" in fields:
            radius = tyre_radius_m(fields["tyre"])
            if radius is None:
                self._fail(
                    "driveline",
                    "tyre",
                    "a tyre size like 225/55R17",
                    _shown(fields["tyre"]),
                    "or give tyre_radius_m",
                )
            fields.setdefault("tyre_radius_m", radius)
        ratios = fields.get("gear_ratios", ())
        for before, after in pairwise(ratios):
            if after >= before:
                self._fail(
                    "driveline",
                    "gear_ratios",
                    "ratios falling from first gear up",
                    f"{before:g} then {after:g}",
                    "sort them",
                )
        torque_curve, stall = fields.get("torque_curve", ()), fields.get("stall_speed_rpm")
        if torque_curve and stall and stall > torque_curve[-1][0]:
            self._fail(
                "converter",
                "stall_speed_rpm",
                f"a stall speed below the end of engine.torque_curve ({torque_curve[-1][0]:g} rpm)",
                f"{stall:g}",
                "correct one of them",
            )

    def _converter(self, vehicle: Vehicle, fields: Mapping[str, Any]) -> None:
        """Numbers that are possible one by one may still be no converter together.

        Without a [converter] the engine's torque gives its size, and may give one that cannot be.
        """
        given = [("converter", key) for key in KEYS["converter"] if key in fields]
        given += [("engine", key) for key in _SIZING if key in fields]
        if not given:
            return
        try:
            curves_of(vehicle)
        except UsageError as error:
            told = error.expected + error.came + error.where
            section, key = next((pair for pair in given if pair[1] in told), given[0])
            expected, do = error.expected, error.do
            if section == "engine":
                expected, do = f"engine torque of a usual converter ({expected})", "check value and unit"
            self._fail(section, key, expected, error.came, do)

    def _fail(self, section: str, key: str, expected: str, came: str, do: str) -> NoReturn:
        raise UsageError(expected, came, f"{self._path}:{self._line(section, key)}", do)

    def _line(self, section: str, key: str) -> int:
        """The line a key (or, without one, a section) stands on, found by scanning the text."""
        own = rf"\s*[\"']?{re.escape(key)}[\"']?\s*[.=]"
        dotted = rf"\s*{re.escape(section)}\s*\.\s*{re.escape(key)}\s*="
        here, heading = "", 1
        for number, line in enumerate(self._text.splitlines(), 1):
            if bracket := re.match(r"\s*\[\s*\"?([\w.-]+)", line):
                here, heading = bracket[1], number if bracket[1] == section else heading
            elif key and re.match(own if here == section else dotted if not here else "$.", line):
                return number
        return heading


def _shown(value: Any) -> str:
    try:
        text = repr(value)
    except ValueError:  # Python writes no whole number of more than some thousand digits
        text = "a number of thousands of digits"
    return text if len(text) <= 60 else text[:57] + "..."


def tyre_radius_m(size: str) -> Known | None:
    """Rolling radius [m] of a tyre size such as 225/55R17, LT245/75R16 or 275/70R22.5; else None.

    Rolling circumference of a radial = 3.05 x diameter [etrto]; sd 1.5 % for wear (8 mm of tread is 2.4 % of
    the radius), load and pressure.
    """
    match = re.fullmatch(
        r"\s*(?:P|LT)?\s*(\d{3})\s*/\s*(\d{2})\s*(?:Z?R|-)\s*(\d{2}(?:\.5)?)\s*C?\b.*", size, re.IGNORECASE
    )
    if not match:
        return None
    width_mm, aspect_pct, rim_in = (float(part) for part in match.groups())
    if not (100 <= width_mm <= 500 and 20 <= aspect_pct <= 99 and 10 <= rim_in <= 26):
        return None
    radius = 3.05 * (rim_in * 25.4 + 2 * width_mm * aspect_pct / 100) / 1000 / (2 * pi)
    return Known(radius, 0.015 * radius)


def usual_for(displacement_l: float | None, fuel: str | None) -> dict[str, Known]:
    """Defaults that depend on the engine: a big diesel sits in a truck. Common practice, no source; wide."""
    if displacement_l is None:
        return {}
    diesel = fuel == "diesel"
    # engine and pump: 0.11 kg m2 of pump and half its fluid [advisor-tx-auto4], and the crankshaft with size
    inertia = 0.11 + (0.12 if diesel else 0.05) * displacement_l
    usual = {"inertia_kg_m2": Known(inertia, 0.35 * inertia, True)}
    if diesel and displacement_l > 4.5:
        usual["mass_kg"] = Known(12000.0, 5000.0, True)
        usual["drag_area_m2"] = Known(6.0, 1.5, True)
        usual["rolling_resistance"] = Known(0.007, 0.0015, True)
    return usual


def dump(vehicle: Vehicle, path: str | Path, notes: Sequence[str] = ()) -> None:
    """Write a vehicle file that `load` reads back; numbers that were only assumed are left out.

    notes: comment lines to end with.
    """
    lines = ["schema = 1"]
    if vehicle.name is not None:
        lines.append(f"name = {_toml(vehicle.name)}")
    for section, keys in KEYS.items():
        if not section:
            continue
        values = vehicle.broadcast if section == "broadcast" else {key: getattr(vehicle, key) for key in keys}
        given = {key: _plain(value) for key, value in values.items()}
        if (
            vehicle.tyre is not None
            and section == "driveline"
            and vehicle.tyre_radius_m == tyre_radius_m(vehicle.tyre)
        ):
            given["tyre_radius_m"] = None
        rows = [f"{key} = {_toml(value)}" for key, value in given.items() if value not in (None, ())]
        if rows:
            lines += ["", f"[{section}]", *rows]
    write_whole(path, "\n".join([*lines, *notes]) + "\n")


def _plain(value: Any) -> Any:
    if isinstance(value, Known):
        return None if value.assumed else value.value
    return value


def _toml(value: Any) -> str:
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda m: f"\\u{ord(m[0]):04x}", escaped) + '"'
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return repr(value) if isinstance(value, int) else f"{value:.7g}"
