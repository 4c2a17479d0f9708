"""The converter on the screen: capacity and torque ratio seen, against what a sound one shows."""

from __future__ import annotations

from math import hypot, isfinite
from typing import Final

from livemon.converter.curves import at, log_slope
from livemon.records import FindingName
from livemon.views import plots
from livemon.views.lines import Ink, Line, band, fitted, number, rule
from livemon.views.memory import heat_kw
from livemon.views.panels import NARROW, WIDE
from livemon.views.snapshot import Point, Snapshot

# The causes that would move a point; while none of them leads, a point off the curve is no alarm.
FED_BY_THE_POINT: Final[frozenset[FindingName]] = frozenset(
    ("stator_not_holding", "stator_seized", "engine_low_output", "driveline_drag", "gear_slip")
)
FRESH_S = 5.0  # older, or with the clutch on, a point is shown as old and not judged
NAMES = {"capacity K": "K", "torque ratio": "TR"}  # where there is no room for words
SHORT_VERDICT = {"as expected": "ok", "not known": "-"}
TELLING_SR = 0.9  # above, K climbs so steeply that seen and expected say nothing


def newest_open(s: Snapshot) -> Point | None:
    """The operating point to hold against the model: the last one that tells."""
    return next((p for p in reversed(s.points) if p.speed_ratio <= TELLING_SR), None)


def model(s: Snapshot, width: int, ink: Ink) -> list[Line]:
    """Capacity and torque ratio seen, against what a sound converter shows at the same speed ratio."""
    p, c = newest_open(s), s.curves
    heat = heat_kw(s.estimate) if s.estimate else None
    at_ratio = f"at SR {number(p.speed_ratio, 4, 2)}, {ago(s.time_s - p.time_s)}" if p else " " * 21
    note = at_ratio if heat is None else f"heat up to {number(heat, 5, 1)} kW   {at_ratio}"
    k, k_sd, tr, tr_sd = (p.k, p.k_sd, p.torque_ratio, p.torque_ratio_sd) if p else (None, 0.0, None, 0.0)
    sound_k: tuple[float | None, float | None] = (None, None)
    sound_tr = sound_k
    if p and c:
        sound_k, sound_tr = expected(c.k, c.k_sd, p), expected(c.tr, c.tr_sd, p)
    title = "Against a sound converter" + (", K in rpm/√Nm" if width >= WIDE else "")
    off = how_off(s, p)
    return [
        rule(ink.text(title), note, width, ink),
        _row("capacity K", k, k_sd, *sound_k, 0, off, width, ink),
        _row("torque ratio", tr, tr_sd, *sound_tr, 2, off, width, ink),
    ]


def expected(table: tuple[float, ...], sd: tuple[float, ...], p: Point) -> tuple[float, float]:
    """What a sound converter shows at the point, and its error with that of the point's speed ratio."""
    value = at(table, p.speed_ratio)
    by_ratio = value * log_slope(table, p.speed_ratio) * p.speed_ratio_sd
    return value, hypot(at(sd, p.speed_ratio), by_ratio)


def how_off(s: Snapshot, p: Point | None) -> str:
    """How a point off the curve is told: as "alarm", as a plain "value", or, once "old", not at all."""
    locked = s.estimate is not None and s.estimate.regime == "locked"
    if p is not None and (locked or not s.time_s - p.time_s <= FRESH_S):
        return "old"
    lead = max(s.standing, key=s.standing.__getitem__, default=None)
    return "alarm" if lead in FED_BY_THE_POINT else "value"


def _row(
    name: str,
    value: float | None,
    sd: float,
    sound: float | None,
    sound_sd: float | None,
    digits: int,
    off: str,
    width: int,
    ink: Ink,
) -> Line:
    room = max(7, width - 68 - 2 * len(ink.plus_minus))
    verdict, style, scale = compare(value, sd, sound, sound_sd, off, room, ink)
    figure = "label" if off == "old" else "value"
    own = None if value is None else sd  # the verdict weighs both errors, so both are shown
    if width < NARROW:
        return [
            (f" {NAMES[name]:<3}", "label"),
            (number(value, 4, digits), figure),
            (f" {band(own, 4, ink, digits)}", "label"),
            (" for ", "label"),
            (number(sound, 4, digits), figure),
            (f" {band(sound_sd, 4, ink, digits)}", "label"),
            (f" {SHORT_VERDICT.get(verdict, verdict)}", style),
        ]
    return [
        (f" {name:<13}seen ", "label"),
        (number(value, 5, digits), figure),
        (f" {band(own, 4, ink, digits)}", "label"),
        (" expected ", "label"),
        (number(sound, 5, digits), figure),
        (f" {band(sound_sd, 4, ink, digits)} ", "label"),
        (f"{verdict:<12}", style),
        (scale, "value"),
    ]


def ago(seconds: float) -> str:
    """How long ago, never jumping in width."""
    return "now      " if seconds < 1.0 else f"{min(seconds, 999.0):3.0f} s ago"


def compare(
    value: float | None,
    sd: float,
    sound: float | None,
    sound_sd: float | None,
    off: str,
    width: int,
    ink: Ink,
) -> tuple[str, str, str]:
    """In words, its style, and a scale of ±5 standard deviations with the ±2 band and the value on it.

    off: as of `how_off`; capitals, like the colour, only where a fault leads that the point speaks for.
    """
    inner = width - 2
    if value is None or sound is None or sound_sd is None or not isfinite(value - sound + sd + sound_sd):
        return "not known", "label", f"[{' ' * inner}]"
    if off == "old":
        return "old", "label", f"[{' ' * inner}]"
    total = hypot(sd, sound_sd)
    z = (value - sound) / total if total > 0.0 else 0.0
    low, high, here = (round((min(5.0, max(-5.0, x)) + 5.0) / 10.0 * (inner - 1)) for x in (-2.0, 2.0, z))
    marks = [ink.band if low <= x <= high else " " for x in range(inner)]
    marks[here] = ink.now
    scale = f"[{''.join(marks)}]"
    if abs(z) <= 2.0:
        return "as expected", "value", scale
    verdict = "low" if z < 0.0 else "high"
    return (verdict.upper() if off == "alarm" else verdict), off, scale


def curves(s: Snapshot, width: int, rows: int, ink: Ink) -> list[Line]:
    """Both curves side by side with the points seen."""
    c = s.curves
    if c is None:
        return [[] for _ in range(rows)]
    half = (width - 2) // 2
    size = (half, rows)
    legend = f"{ink.model} sound  {ink.lost} stator lost  {ink.seen} seen  {ink.now} last"
    last = newest_open(s)  # the one the rows above tell; drawn last
    points = [p for p in s.points if p is not last] + ([last] if last else [])
    k = [(p.speed_ratio, p.k) for p in points if p.k is not None]
    tr = [(p.speed_ratio, p.torque_ratio) for p in points if p.torque_ratio is not None]
    left = plots.plot(
        ink.text(f"K in rpm/√Nm   {legend}"), c.k, c.k_sd, c.k_lost, plots.capacity_scale(c), k, size, 0, ink
    )
    ones = (1.0,) * len(c.tr)
    right = plots.plot(
        f"torque ratio   {legend}", c.tr, c.tr_sd, ones, plots.torque_ratio_scale(c), tr, size, 2, ink
    )
    return [[*fitted(a, half), ("  ", ""), *b] for a, b in zip(left, right, strict=True)]
