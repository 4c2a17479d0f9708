"""`livemon fleet`: judge many recordings, rank the vehicles. One bad file never stops the rest."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from livemon.commands import drive, outputs
from livemon.commands.say import say
from livemon.commands.tables import table
from livemon.errors import LivemonError, UsageError
from livemon.views import result
from livemon.views.sentences import SHORT, WHERE, misfires, percent

HEAD = ("rank", "vehicle", "call", "sure", "where", "any fault", "driven", "recording")


@dataclass(frozen=True, slots=True)
class Entry:
    """One recording: its result, or why there is none."""

    recording: str
    vehicle_file: Path | None
    result: Mapping[str, Any] | None
    error: str = ""

    @property
    def vehicle(self) -> str:
        """The name to rank under: the vehicle file's, else that of the file itself, else the recording's.

        The recording's with its folder: v1/drive.log and v2/drive.log are two vehicles.
        """
        name = self.result["vehicle"]["name"] if self.result else None
        path = Path(self.recording)
        return str(name or (self.vehicle_file.stem if self.vehicle_file else path.parent / path.stem))

    @property
    def fault(self) -> float:
        """Probability that anything at all is wrong; below every judged vehicle where there is no result."""
        return -1.0 if self.result is None else 1.0 - float(self.result["probabilities"]["none"])

    @property
    def badness(self) -> tuple[int, float]:
        """Named faults first, then drives that cannot tell, then sound ones, then unusable files."""
        if self.result is None:
            return 0, 0.0
        finding = self.result["call"]["finding"]
        return {"none": 1, "not_enough_evidence": 2}.get(finding, 3), self.fault


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recordings", nargs="+", metavar="RECORDING")
    parser.add_argument(
        "--vehicles",
        metavar="DIR",
        help="vehicle files: van7.toml goes with van7.log and with van7_monday.log",
    )
    parser.add_argument(
        "--dbc", metavar="F.dbc", help="read broadcast frames as the vehicle files' [broadcast] says"
    )
    parser.add_argument("--j1939", action="store_true", help="read J1939 broadcast frames")
    parser.add_argument(
        "--json", metavar="PATH", help="write all results, worst first; - for standard output"
    )


def run(args: argparse.Namespace) -> int:
    files = vehicle_files(args.vehicles)
    outputs.check(args, files.values())
    entries: list[Entry] = []
    interrupted = False
    try:
        for path in args.recordings:
            entries.append(judge(path, match(path, files), args.dbc, args.j1939))
    except KeyboardInterrupt:  # what has been judged by then is still written
        interrupted = True
    ranked = rank(entries)
    text = [*table(HEAD, rows(ranked)), *(f"not judged: {e.error}" for e in ranked if e.error)]
    if interrupted:
        text.append(f"interrupted: {len(args.recordings) - len(entries)} recordings not looked at")
    writes: dict[str, Callable[[], None]] = {}
    writes["the table"] = lambda: say(*text, to=sys.stderr if args.json == "-" else None)
    if args.json:
        writes["--json"] = lambda: result.write([_plain(entry) for entry in ranked], args.json)
    outputs.write_all(writes)
    if interrupted:
        return 130
    # Nothing usable at all is a failure; some unusable files among good ones are not.
    return 0 if any(e.result for e in entries) else 2


def vehicle_files(folder: str | None) -> dict[str, Path]:
    """Vehicle files by stem. Raises UsageError when the folder is not one or holds none."""
    if folder is None:
        return {}
    files = {path.stem: path for path in sorted(Path(folder).glob("*.toml"))}
    if not files:
        raise UsageError(
            "a folder of vehicle files (*.toml)", "none", folder, "give another --vehicles folder"
        )
    return files


def match(recording: str, files: Mapping[str, Path]) -> Path | None:
    """The vehicle file with the recording's stem, else with the longest stem it begins with."""
    name = Path(recording).name
    whole = [
        stem for stem in files if name.startswith(stem) and not name[len(stem) : len(stem) + 1].isalnum()
    ]
    return files[max(whole, key=len)] if whole else None


def judge(recording: str, vehicle_file: Path | None, dbc: str | None, j1939: bool) -> Entry:
    """Judge one recording; an unusable file becomes an entry that says why."""
    try:
        judged = drive.judge(recording, str(vehicle_file) if vehicle_file else None, dbc=dbc, j1939=j1939)
    except LivemonError as error:
        return Entry(recording, vehicle_file, None, str(error))
    return Entry(recording, vehicle_file, judged)


def rank(entries: Sequence[Entry]) -> list[Entry]:
    """Vehicles by their worst recording, and within a vehicle its recordings, worst first."""
    worst: dict[str, tuple[int, float]] = {}
    for entry in entries:
        worst[entry.vehicle] = max(entry.badness, worst.get(entry.vehicle, (-1, 0.0)))

    def order(entry: Entry) -> tuple[float | str, ...]:
        vehicle, own = worst[entry.vehicle], entry.badness
        return -vehicle[0], -vehicle[1], entry.vehicle, -own[0], -own[1], entry.recording

    return sorted(entries, key=order)


def rows(ranked: Sequence[Entry]) -> list[list[str]]:
    """One row a recording; the rank is the vehicle's and stands at its first row."""
    out: list[list[str]] = []
    seen: list[str] = []
    for entry in ranked:
        first = entry.vehicle not in seen
        if first:
            seen.append(entry.vehicle)
        out.append([str(len(seen)) if first else "", entry.vehicle, *_cells(entry), entry.recording])
    return out


def _cells(entry: Entry) -> list[str]:
    if entry.result is None:
        return ["not judged", "", "", "", ""]
    call = entry.result["call"]
    finding = call["finding"]
    sure = "" if finding == "not_enough_evidence" else percent(call["probability"])
    fault = percent(entry.fault) if result.told_apart(entry.result["probabilities"]) else "-"
    minutes = entry.result["recording"]["duration_s"] / 60.0
    where = {"unknown": "", "no_fault": ""}.get(call["where"], WHERE.get(call["where"], ""))
    words = SHORT.get(finding, finding) + (", misfires" if misfires(finding, call.get("because", ())) else "")
    return [words, sure, where, fault, f"{minutes:.0f} min"]


def _plain(entry: Entry) -> dict[str, Any]:
    return {
        "recording": entry.recording,
        "vehicle": entry.vehicle,
        "error": entry.error or None,
        "result": entry.result,
    }
