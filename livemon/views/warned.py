"""Warnings on the screen: those that stand with their present probability, then what was withdrawn."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from livemon.quantities import CALL_FROM
from livemon.records import Warning
from livemon.views.lines import Ink, Line, wrapped
from livemon.views.sentences import clock, percent, warned
from livemon.views.snapshot import Snapshot


def warnings(s: Snapshot, width: int, rows: int, ink: Ink) -> list[Line]:
    """What is warned of now, newest first, then what was withdrawn."""
    standing, gone = sort_warnings(s.warnings)
    shown = [*standing, *gone][:rows]
    if not shown:
        none: list[Line] = [[(" no warnings so far", "label")]]
        return [*none[:rows], *[[] for _ in range(rows - 1)]]
    hidden = len(standing) + len(gone) - len(shown)
    lines: list[Line] = []
    for i, warning in enumerate(shown):
        # The standing ones share the room; what was withdrawn gets what lines are left.
        room = max(1, (rows - len(lines)) // max(1, min(len(standing), rows) - i)) if warning.raised else 1
        more = f" +{hidden} more" if hidden and i == len(shown) - 1 else ""
        mark = "!" if warning.raised else " "
        head = f" {mark} {clock(warning.time_s)} "
        text, style = _words(s, warning)
        parts = wrapped(ink.text(text), width - len(head) - 1 - len(more), room, ink)
        lines += [[((" " * len(head) if j else head) + part, style)] for j, part in enumerate(parts)]
        if more and parts:
            lines[-1].append((more, "label"))
    return [*lines[:rows], *[[] for _ in range(rows - len(lines))]]


def _words(s: Snapshot, warning: Warning) -> tuple[str, str]:
    """A warning with how likely it is now, and its style: red only while it is likely."""
    if not warning.raised:
        return warned(warning, None), "label"
    now = s.standing.get(warning.finding)
    if now is None or not isfinite(now):
        return warned(warning, None), "alarm"
    return f"{percent(now)} now: {warned(warning, now)}", "alarm" if now >= CALL_FROM else "value"


def sort_warnings(given: Sequence[Warning]) -> tuple[list[Warning], list[Warning]]:
    """Those that stand and those withdrawn and not raised again, each newest first."""
    last: dict[str, Warning] = {}
    for warning in given:
        last.pop(warning.finding, None)
        last[warning.finding] = warning
    newest = list(reversed(last.values()))
    return [w for w in newest if w.raised], [w for w in newest if not w.raised]
