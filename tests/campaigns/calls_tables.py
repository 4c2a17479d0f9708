"""Tables of the calls campaign: confusion matrix, named shares, reliability, Brier score."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Any

Row = dict[str, Any]
SHOWN_S = 5.0  # seconds in which the fault itself acted; a shorter drive did not contain what shows it
_SHORT = {
    "none": "none",
    "not_enough_evidence": "open",
    "stator_not_holding": "stator lost",
    "stator_seized": "seized",
    "lockup_shudder": "shudder",
    "lockup_slip": "clutch slip",
    "lockup_never_applied": "never on",
    "gear_slip": "gear slip",
    "engine_low_output": "engine",
    "driveline_drag": "drag",
}


def tables(rows: list[Row]) -> str:
    """All tables as Markdown."""
    hours = sum(r["seconds"] for r in rows if r["expected"] == "none") / 3600.0
    false_warnings = sum(r["warnings"] for r in rows if r["expected"] == "none")
    parts = [
        f"{len(rows)} drives, {sum(r['seconds'] for r in rows) / 3600:.1f} h. Rows: what was wrong; "
        "columns: what was called (open = not_enough_evidence).\n",
        _confusion(rows),
        f"False alarms on drives without a fault of ours: {_false_alarms(rows)}. "
        f"Warnings raised in their {hours:.1f} h: {false_warnings}.\n",
        f"Brier score (sum over findings, mean over drives): {brier(rows):.3f}; "
        f"over drives that show what is wrong: {brier(shown(rows)):.3f}.\n",
        _named("Named, by poll rate", rows, _rate),
        _named("Named, by torque source", rows, lambda r: str(r["torque"])),
        _named("Named, by time shown", [r for r in rows if r["expected"] != "none"], _shown_for),
        _reliability(rows),
    ]
    return "\n".join(parts)


def shown(rows: Iterable[Row]) -> list[Row]:
    """Drives in which the fault acted long enough, and sound drives with at least one launch."""
    return [r for r in rows if (r["launches"] > 0 if r["expected"] == "none" else r["shown_s"] >= SHOWN_S)]


def brier(rows: list[Row]) -> float:
    """Mean over drives of the squared distance between probabilities and truth."""
    total = sum(
        sum((p - (name == r["expected"])) ** 2 for name, p in r["probabilities"].items()) for r in rows
    )
    return float(total / max(len(rows), 1))


def _rate(r: Row) -> str:
    groups = ((8.0, "3-8 /s"), (20.0, "8-20 /s"), (45.0, "20-40 /s"), (1e9, "broadcast"))
    return next(label for limit, label in groups if r["readings_per_s"] < limit)


def _shown_for(r: Row) -> str:
    groups = ((SHOWN_S, "a: below 5 s"), (20.0, "b: 5-20 s"), (60.0, "c: 20-60 s"), (1e9, "d: longer"))
    return next(label for limit, label in groups if r["shown_s"] < limit)


def _false_alarms(rows: list[Row]) -> str:
    sound = [r for r in rows if r["expected"] == "none"]
    wrong = [r for r in sound if r["call"] not in ("none", "not_enough_evidence")]
    return f"{len(wrong)} of {len(sound)}"


def _table(head: list[str], body: list[list[str]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in body]) + "\n"


def _confusion(rows: list[Row]) -> str:
    counts: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for r in rows:
        counts[r["fault"]][r["call"]] += 1
    named = shown(rows)
    body = []
    for fault in [n for n in (*_SHORT, "misfire") if n in counts]:
        of = [r for r in named if r["fault"] == fault]
        right = sum(r["call"] == r["expected"] for r in of)
        share = f"{right} of {len(of)}"
        body.append([fault, *(str(counts[fault][call] or "") for call in _SHORT), share])
    return _table(["truth", *_SHORT.values(), "named where shown"], body)


def _named(title: str, rows: list[Row], group: Callable[[Row], str]) -> str:
    groups: dict[str, list[Row]] = defaultdict(list)
    for r in rows:
        groups[group(r)].append(r)
    body = []
    for label in sorted(groups):
        some = groups[label]
        faulty = [r for r in shown(some) if r["expected"] != "none"]
        right = sum(r["call"] == r["expected"] for r in faulty)
        body.append(
            [label, str(len(some)), f"{right} of {len(faulty)}", _false_alarms(some), f"{brier(some):.3f}"]
        )
    return _table([title, "drives", "faults named where shown", "false alarms", "Brier"], body)


def _reliability(rows: list[Row]) -> str:
    """Of all probabilities given to all findings: said against found."""
    edges = (0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97, 1.0001)
    body = []
    for low, high in pairwise(edges):
        inside = [
            (p, name == r["expected"])
            for r in rows
            for name, p in r["probabilities"].items()
            if low <= p < high
        ]
        if inside:
            said = sum(p for p, _ in inside) / len(inside)
            found = sum(true for _, true in inside) / len(inside)
            body.append([f"{low:g}-{min(high, 1):g}", str(len(inside)), f"{said:.3f}", f"{found:.3f}"])
    return _table(["probability", "times given", "mean said", "share true"], body)
