"""The converter on the screen: capacity and torque ratio seen, against what a sound one shows."""

from __future__ import annotations

from math import hypot, isfinite

from livemon.converter.curves import at
from livemon.views import plots
from livemon.views.lines import Ink, Line, band, fitted, number, rule
from livemon.views.memory import telling_point
from livemon.views.panels import NARROW
from livemon.views.snapshot import Point, Snapshot

NAMES = {"capacity K": "K", "torque ratio": "TR"}  # where there is no room for words
SHORT_VERDICT = {"as expected": "ok", "not known": "-"}
TELLING_SR = 0.9  # above, K climbs so steeply that seen and expected say nothing


def newest_open(s: Snapshot) -> Point | None:
    """The operating point to hold against the model: the present one, else the last one that tells."""
    point = telling_point(s.estimate) if s.estimate else None
    if point and point.speed_ratio <= TELLING_SR:
        return point
    return next((p for p in reversed(s.points) if p.speed_ratio <= TELLING_SR), None)


def model(s: Snapshot, width: int, ink: Ink) -> list[Line]:
    """Capacity and torque ratio seen, against what a sound converter shows at the same speed ratio."""
    p, c = newest_open(s), s.curves
    note = f"at SR {number(p.speed_ratio, 4, 2)}, {ago(s.time_s - p.time_s)}" if p else ""
    k, k_sd, tr, tr_sd = (p.k, p.k_sd, p.torque_ratio, p.torque_ratio_sd) if p else (None, 0.0, None, 0.0)
    expected: tuple[float | None, ...] = (None,) * 4
    if p and c:
        expected = tuple(at(table, p.speed_ratio) for table in (c.k, c.k_sd, c.tr, c.tr_sd))
    return [
        rule(ink.text("Against a sound converter, K in rpm/√Nm"), note, width, ink),
        _row("capacity K", k, k_sd, expected[0], expected[1], 0, width, ink),
        _row("torque ratio", tr, tr_sd, expected[2], expected[3], 2, width, ink),
    ]


def _row(
    name: str,
    value: float | None,
    sd: float,
    expected: float | None,
    expected_sd: float | None,
    digits: int,
    width: int,
    ink: Ink,
) -> Line:
    room = max(7, width - 68 - 2 * len(ink.plus_minus))
    verdict, style, scale = compare(value, sd, expected, expected_sd, room, ink)
    own = None if value is None else sd  # the verdict weighs both errors, so both are shown
    if width < NARROW:
        return [
            (f" {NAMES[name]:<3}", "label"),
            (number(value, 4, digits), "value"),
            (f" {band(own, 4, ink, digits)}", "label"),
            (" for ", "label"),
            (number(expected, 4, digits), "value"),
            (f" {band(expected_sd, 4, ink, digits)}", "label"),
            (f" {SHORT_VERDICT.get(verdict, verdict)}", style),
        ]
    return [
        (f" {name:<13}seen ", "label"),
        (number(value, 5, digits), "value"),
        (f" {band(own, 4, ink, digits)}", "label"),
        (" expected ", "label"),
        (number(expected, 5, digits), "value"),
        (f" {band(expected_sd, 4, ink, digits)} ", "label"),
        (f"{verdict:<12}", style),
        (scale, "value"),
    ]


def ago(seconds: float) -> str:
    """How long ago, never jumping in width."""
    return "now      " if seconds < 1.0 else f"{min(seconds, 999.0):3.0f} s ago"


def compare(
    value: float | None, sd: float, expected: float | None, expected_sd: float | None, width: int, ink: Ink
) -> tuple[str, str, str]:
    """In words, its style, and a scale of ±5 standard deviations with the ±2 band and the value on it."""
    inner = width - 2
    if (
        value is None
        or expected is None
        or expected_sd is None
        or not isfinite(value - expected + sd + expected_sd)
    ):
        return "not known", "label", f"[{' ' * inner}]"
    total = hypot(sd, expected_sd)
    z = (value - expected) / total if total > 0.0 else 0.0
    low, high, here = (round((min(5.0, max(-5.0, x)) + 5.0) / 10.0 * (inner - 1)) for x in (-2.0, 2.0, z))
    marks = [ink.band if low <= x <= high else " " for x in range(inner)]
    marks[here] = ink.now
    scale = f"[{''.join(marks)}]"
    if abs(z) <= 2.0:
        return "as expected", "value", scale
    return "LOW" if z < 0.0 else "HIGH", "alarm", scale


def curves(s: Snapshot, width: int, rows: int, ink: Ink) -> list[Line]:
    """Both curves side by side with the points seen."""
    c = s.curves
    if c is None:
        return [[] for _ in range(rows)]
    half = (width - 2) // 2
    size = (half, rows)
    legend = f"{ink.model} sound  {ink.lost} stator lost  {ink.now} now"
    k = [(p.speed_ratio, p.k) for p in s.points if p.k is not None]
    tr = [(p.speed_ratio, p.torque_ratio) for p in s.points if p.torque_ratio is not None]
    left = plots.plot(
        ink.text(f"K in rpm/√Nm   {legend}"), c.k, c.k_sd, c.k_lost, plots.capacity_scale(c), k, size, 0, ink
    )
    ones = (1.0,) * len(c.tr)
    right = plots.plot(
        f"torque ratio   {legend}", c.tr, c.tr_sd, ones, plots.torque_ratio_scale(c), tr, size, 2, ink
    )
    return [[*fitted(a, half), ("  ", ""), *b] for a, b in zip(left, right, strict=True)]
