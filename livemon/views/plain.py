"""Plain lines for pipes, service logs and dumb terminals: text only, one line a message."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Mapping
from contextlib import suppress
from typing import Any, Final, TextIO

from livemon import records
from livemon.errors import UsageError
from livemon.records import Call, FindingName
from livemon.views import assumed
from livemon.views.memory import heat_kw
from livemon.views.sentences import (
    REGIME,
    SAFETY,
    SHORT,
    cautions,
    clean,
    clock,
    fit_encoding,
    headline,
    misfires,
    percent,
    place,
    quantity,
    road_kmh,
    vague,
    warned,
)
from livemon.views.snapshot import Drive, Snapshot

EVERY_S: Final = 30.0
BELL: Final = "\a"


class Plain:
    """A view of plain lines: each warning at once, a status line every `every_s` of the drive, the call."""

    def __init__(self, stream: TextIO | None = None, every_s: float = EVERY_S, bell: bool = False) -> None:
        self._stream = stream or sys.stdout
        self._every_s, self._bell = every_s, bell
        self._notice = ""
        self._lost = ""
        self._still: list[str] = []
        self.due_s = 0.0

    def update(self, snapshot: Snapshot) -> None:
        """Print the status line when it is due, and any notice that is new."""
        if snapshot.notice != self._notice:
            self._notice = snapshot.notice
            if snapshot.notice:
                self._say(f"{clock(snapshot.time_s)}  link: {snapshot.notice}")
        if snapshot.time_s < self.due_s:
            return
        self.due_s = snapshot.time_s + self._every_s
        self._say(f"{clock(snapshot.time_s)}  {status(snapshot)}")
        still = list(snapshot.still_to_drive)
        if still != self._still:
            self._still = still
            self._say(f"{clock(snapshot.time_s)}  still to drive: {'; '.join(still) or 'nothing'}")

    def warn(self, warning: records.Warning) -> None:
        """Print one warning, or the withdrawal of one."""
        self._say(warning_line(warning), bell=self._bell and warning.raised)

    def close(self, drive: Drive | None) -> None:
        """Print the call. Raises UsageError when it could not be written, as on a full disk."""
        if drive is None:
            return
        self._say("")
        for line in call_lines(drive):
            self._say(line)
        if self._lost:
            where = "standard error" if self._stream is sys.stderr else "standard output"
            raise UsageError("an output that takes what is written", self._lost, where, "make room there")

    def _say(self, line: str, bell: bool = False) -> None:
        text = fit_encoding(clean(line), getattr(self._stream, "encoding", None))
        try:
            self._stream.write((BELL if bell else "") + text + "\n")
            self._stream.flush()
        except OSError as failure:
            # The reader went away, as `| head` does, or the disk is full: the drive and its outputs go on.
            if not isinstance(failure, BrokenPipeError):
                self._lost = failure.strerror or str(failure)
            let_go(self._stream)


def let_go(stream: TextIO) -> None:
    """Whatever is still written to the stream goes nowhere from now on, without complaint."""
    with suppress(OSError, ValueError):  # no file behind it
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def usable_screen(stream: TextIO | None = None) -> bool:
    """Whether the stream is a terminal that can show the full screen. Loads nothing."""
    stream = stream or sys.stdout
    try:
        terminal = stream.isatty()
    except ValueError:  # closed
        return False
    return terminal and os.environ.get("TERM", "dumb") not in ("dumb", "unknown", "")


def warning_line(warning: records.Warning) -> str:
    """One warning on one line."""
    kind = "WARNING: " if warning.raised else ""
    told = warned(warning, warning.probability)
    return f"{clock(warning.time_s)}  {kind}{told} ({percent(warning.probability)})"


def status(s: Snapshot) -> str:
    """Where the drive stands, on one line."""
    e = s.estimate
    if e is None:
        return "no engine speed yet"
    parts = [f"engine {e.engine_rpm:.0f} rpm"]
    kmh = road_kmh(e)
    if kmh is not None:
        parts.append(f"road {kmh:.0f} km/h")
    if e.slip_rpm is not None and not vague(e.slip_rpm, e.slip_sd_rpm):
        parts.append(f"slip {round(e.slip_rpm)} ± {2.0 * e.slip_sd_rpm:.0f} rpm")
        if e.speed_ratio is not None:
            parts.append(f"speed ratio {e.speed_ratio:.2f}")
    if e.gear is not None:
        parts.append(f"gear {e.gear}")
    parts.append(REGIME.get(e.regime, e.regime))
    heat = heat_kw(e)
    if heat is not None:
        parts.append(f"converter heat {heat:.1f} kW")
    if s.standing:
        name, probability = max(s.standing.items(), key=lambda item: item[1])
        parts.append(f"leading: {SHORT.get(name, name)} {percent(probability)}")
    if s.rates:
        parts.append(", ".join(f"{quantity(r.quantity)} {r.per_s:.0f}/s" for r in s.rates[:2]))
    return ", ".join(parts)


def call_lines(drive: Drive) -> list[str]:
    """The call in plain sentences, one a line."""
    marked = [f"{clock(marker.time_s)} {marker.text}" for marker in drive.markers]
    taken = assumed.sentence(drive.vehicle)
    return _lines(drive.call, drive.probabilities, taken, unsaid_limits(drive), marked, drive.notices)


def result_lines(result: Mapping[str, Any]) -> list[str]:
    """The call of a result as written to JSON, in the same sentences."""
    names = (result.get("vehicle") or {}).get("assumed") or ()  # the history may hold a result of less
    probabilities = result.get("probabilities") or {}
    return _lines(Call(**result["call"]), probabilities, assumed.named(names), [], [], [])


def _lines(
    call: Call,
    probabilities: Mapping[FindingName, float],
    taken: str,
    limits: Iterable[str],
    marked: Iterable[str],
    notices: Iterable[str],
) -> list[str]:
    return [
        f"THE CALL: {headline(call.finding, call.because, call.against)}",
        f"  {standing_sentence(call, probabilities)}",
        *_section("Because", call.because),
        *_section("Against", call.against),
        *_section("Check next", call.check_next),
        *_section("Caution", cautions(call.check_next)),
        *([f"  {taken}"] if taken else []),
        *_section("This drive cannot judge", limits),
        *_section("Marked in the drive", marked),
        *_section("Notices", notices),
        f"  {SAFETY[-1]}",
        short_call(call, probabilities),
    ]


def short_call(call: Call, probabilities: Mapping[FindingName, float]) -> str:
    """The call on one short line, for the end of a text whose head has scrolled away."""
    sure = "" if call.finding == "not_enough_evidence" else f" {percent(call.probability)},"
    also = "; the engine misfires" if misfires(call.finding, call.because) else ""
    return f"CALL: {SHORT.get(call.finding, call.finding)},{sure} {place(call.where, probabilities)}{also}."


def unsaid_limits(drive: Drive) -> list[str]:
    """What cannot be judged, less what the call's own sentences already say."""
    said = " ".join([*drive.call.because, *drive.call.against])
    return [limit for limit in drive.cannot_judge if limit not in said]


def standing_sentence(call: Call, probabilities: Mapping[FindingName, float]) -> str:
    """How sure, and inside or outside."""
    where = place(call.where, probabilities)
    if call.finding == "not_enough_evidence":
        return f"{where[0].upper()}{where[1:]}."
    return f"{where[0].upper()}{where[1:]}; probability {percent(call.probability)}."


def _section(title: str, sentences: Iterable[str]) -> list[str]:
    lines = [f"    - {sentence}" for sentence in sentences]
    return [f"  {title}:", *lines] if lines else []
