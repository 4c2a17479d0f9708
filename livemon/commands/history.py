"""`livemon history`: past checks of this and other vehicles, and how one vehicle has changed."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime
from typing import Any, Final

from livemon.commands.say import say
from livemon.commands.tables import table
from livemon.errors import UsageError
from livemon.files import read_whole
from livemon.records import Call
from livemon.store.history import VARIABLE, YEARS, Check, History
from livemon.views import trend
from livemon.views.plain import result_lines
from livemon.views.sentences import SHORT, WHERE, percent

_MOST_BYTES: Final = 16 << 20  # a result of a day's drive is a hundredth of it
_LARGEST: Final = 300.0  # of a logarithm that is still a number when it is raised again
_SMALLEST_SD: Final = 1e-6  # no measurement is better
_LARGEST_RPM: Final = 1e6


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.set_defaults(action="list", vehicle=None)
    actions = parser.add_subparsers(dest="action", metavar="ACTION")
    lister = actions.add_parser("list", help="past checks, newest last (this when nothing is said)")
    lister.add_argument("vehicle", nargs="?", help="only this vehicle: its name or VIN")
    show = actions.add_parser("show", help="one past check in full")
    show.add_argument("number", type=int)
    compare = actions.add_parser("compare", help="how one vehicle has changed from check to check")
    compare.add_argument("vehicle", help="its name or VIN")
    add = actions.add_parser("add", help="keep results written with --json")
    add.add_argument("results", nargs="+", metavar="RESULT.json")
    add.add_argument(
        "--driven", type=_day, metavar="DATE", help="when it was driven (2026-05-03); else dated today"
    )
    add.add_argument("--vin", help="kept as a hash only, to recognise the vehicle again")
    forget = actions.add_parser("forget", help="delete checks for good")
    forget.add_argument("numbers", type=int, nargs="+", metavar="NUMBER")
    for each in (parser, lister, show, compare, add, forget):
        # Before or after the action: one that does not name it must not undo what was said before.
        each.add_argument(
            "--history",
            metavar="PATH",
            default=None if each is parser else argparse.SUPPRESS,
            help=f"the history's file (also {VARIABLE})",
        )


def _day(text: str) -> datetime:
    """A date, or date and time, as given; local time where no zone is."""
    try:
        day = datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        raise argparse.ArgumentTypeError(f"a date like 2026-05-03, not {text!r}") from None
    if day.year not in YEARS:
        raise argparse.ArgumentTypeError(f"a date from {YEARS[0]} to {YEARS[-1]}, not {text!r}")
    return day


def run(args: argparse.Namespace) -> int:
    history = History(args.history)
    if args.action == "show":
        check = _sound(history.check(args.number), history)
        say(f"check {check.id}, {_when(check)}, {check.vehicle or 'vehicle without a file'}")
        say(*result_lines(check.result))
    elif args.action == "compare":
        checks = [_sound(check, history) for check in history.checks(args.vehicle)]
        if not checks:
            raise UsageError(
                "a vehicle in the history", repr(args.vehicle), str(history.path), "see livemon history list"
            )
        say(
            *table(["check", "when", "call", "sure", *trend.COLUMNS], [_row(c, compare=True) for c in checks])
        )
        say("", *trend.sentences([c.result for c in checks]))
    elif args.action == "add":
        for path in args.results:
            say(f"kept as check {history.add(_load(path), args.vin, args.driven)}: {path}")
    elif args.action == "forget":
        gone = history.forget(args.numbers)
        say(f"{gone} of {len(args.numbers)} deleted")
        return 0 if gone else 2
    else:
        checks = history.checks(args.vehicle)
        if checks:
            say(*table(["check", "when", "vehicle", "call", "sure", "recording"], [_row(c) for c in checks]))
        else:
            say(f"no past checks in {history.path}")
    return 0


def _sound(check: Check, history: History) -> Check:
    if not _whole(check.result):
        where, do = f"{history.path}: check {check.id}", f"livemon history forget {check.id}"
        raise UsageError("a whole result", "one with parts missing or wrong", where, do)
    return check


def _row(check: Check, compare: bool = False) -> list[str]:
    if not _whole(check.result):
        return [str(check.id), _when(check), check.vehicle or "-", "not readable", "", ""]
    call = check.result["call"]
    words = SHORT.get(call["finding"], call["finding"])
    sure = "" if call["finding"] == "not_enough_evidence" else percent(call["probability"])
    if compare:
        return [str(check.id), _when(check), words, sure, *trend.cells(check.result)]
    vehicle = " ".join(part for part in (check.vehicle or "-", check.vin_shown) if part)
    return [str(check.id), _when(check), vehicle, words, sure, check.result["recording"]["source"]]


def _when(check: Check) -> str:
    return check.checked_at.astimezone().strftime("%Y-%m-%d %H:%M")


def _load(path: str) -> Mapping[str, Any]:
    """A result file, checked for what the history needs of it."""
    content = read_whole(path, "a result file", _MOST_BYTES, "give another file")
    try:
        result = json.loads(content.decode("utf-8"), parse_constant=_no_number)
    except (ValueError, RecursionError):
        result = None
    if not _whole(result):
        raise UsageError("a result written with --json", "something else", path, "give another file")
    return result  # type: ignore[no-any-return]


def _no_number(text: str) -> None:
    raise ValueError(text)  # NaN and infinity, which JSON does not have


def _whole(result: Any) -> bool:
    """Whether all that `show`, `list` and `compare` read of a result is there and is what it should be."""
    try:
        name, call, source = result["vehicle"]["name"], result["call"], result["recording"]["source"]
        assumed = result["vehicle"].get("assumed") or []
        sentences = [call[key] for key in ("because", "against", "check_next")]
        records = [result["lockup"], *result["launches"]]
        return (
            result["schema"] == 1
            and isinstance(name, str | None)
            and isinstance(source, str)
            and isinstance(assumed, list)
            and all(isinstance(each, str) for each in assumed)
            and call.keys() == {field.name for field in fields(Call)}
            and call["finding"] in SHORT
            and call["where"] in WHERE
            and 0.0 <= call["probability"] <= 1.0
            and all(isinstance(each, list) and all(isinstance(s, str) for s in each) for each in sentences)
            and all(abs(record.get(key) or 0.0) < _LARGEST for record in records for key in ("r_k", "r_t"))
            and all(
                _SMALLEST_SD < (record.get(key) or 1.0) < _LARGEST
                for record in result["launches"]
                for key in ("r_k_sd", "r_t_sd")
            )
            and abs(result["lockup"].get("mean_slip_rpm") or 0.0) < _LARGEST_RPM
        )
    except (KeyError, TypeError, AttributeError):
        return False
