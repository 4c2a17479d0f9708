"""`livemon history`: past checks of this and other vehicles, and how one vehicle has changed."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from livemon.commands.tables import table
from livemon.errors import UsageError
from livemon.store.history import VARIABLE, Check, History
from livemon.views import trend
from livemon.views.plain import result_lines
from livemon.views.sentences import SHORT, clean, fit_encoding, percent


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.set_defaults(action="list", vehicle=None, history=None)
    actions = parser.add_subparsers(dest="action", metavar="ACTION")
    lister = actions.add_parser("list", help="past checks, newest last (this when nothing is said)")
    lister.add_argument("vehicle", nargs="?", help="only this vehicle: its name or VIN")
    show = actions.add_parser("show", help="one past check in full")
    show.add_argument("number", type=int)
    compare = actions.add_parser("compare", help="how one vehicle has changed from check to check")
    compare.add_argument("vehicle", help="its name or VIN")
    add = actions.add_parser("add", help="keep results written with --json")
    add.add_argument("results", nargs="+", metavar="RESULT.json")
    add.add_argument("--vin", help="kept as a hash only, to recognise the vehicle again")
    forget = actions.add_parser("forget", help="delete checks for good")
    forget.add_argument("numbers", type=int, nargs="+", metavar="NUMBER")
    for each in (lister, show, compare, add, forget):
        each.add_argument("--history", metavar="PATH", help=f"the history's file (also {VARIABLE})")


def run(args: argparse.Namespace) -> int:
    history = History(args.history)
    if args.action == "show":
        check = history.check(args.number)
        _say(f"check {check.id}, {_when(check)}, {check.vehicle or 'vehicle without a file'}")
        _say(*result_lines(check.result))
    elif args.action == "compare":
        checks = history.checks(args.vehicle)
        if not checks:
            raise UsageError(
                "a vehicle in the history", repr(args.vehicle), str(history.path), "see livemon history list"
            )
        _say(
            *table(["check", "when", "call", "sure", *trend.COLUMNS], [_row(c, compare=True) for c in checks])
        )
        _say("", *trend.sentences([c.result for c in checks]))
    elif args.action == "add":
        for path in args.results:
            _say(f"kept as check {history.add(_load(path), args.vin)}: {path}")
    elif args.action == "forget":
        _say(f"{history.forget(args.numbers)} of {len(args.numbers)} deleted")
    else:
        checks = history.checks(args.vehicle)
        if checks:
            _say(*table(["check", "when", "vehicle", "call", "sure", "recording"], [_row(c) for c in checks]))
        else:
            _say(f"no past checks in {history.path}")
    return 0


def _row(check: Check, compare: bool = False) -> list[str]:
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
    try:
        result = json.loads(Path(path).read_text(encoding="utf-8"))
        name, call, source = result["vehicle"]["name"], result["call"], result["recording"]["source"]
        sound = isinstance(name, str | None) and isinstance(source, str) and result["schema"] == 1
        sound = sound and call["finding"] in SHORT and 0.0 <= call["probability"] <= 1.0
    except OSError as error:
        raise UsageError("a result file", error.strerror or str(error), path, "give another file") from None
    except (ValueError, KeyError, TypeError):
        sound = False
    if not sound:
        raise UsageError("a result written with --json", "something else", path, "give another file")
    return result  # type: ignore[no-any-return]


def _say(*lines: str) -> None:
    for line in lines:
        sys.stdout.write(fit_encoding(clean(line), sys.stdout.encoding) + "\n")
