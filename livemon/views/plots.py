"""The converter's curves as text: the model with its band, and the operating points seen."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from math import isfinite

from livemon.converter.curves import Curves, at
from livemon.views.lines import Ink, Line, number

AXIS = 5  # places for the numbers at the left


@lru_cache(maxsize=16)
def _ground(
    table: tuple[float, ...],
    sd: tuple[float, ...],
    lost: tuple[float, ...],
    scale: tuple[float, float],
    size: tuple[int, int],
    ink: Ink,
) -> tuple[tuple[str, ...], ...]:
    """The plot without points: rows of characters, top first."""
    width, rows = size
    grid = [[" "] * width for _ in range(rows)]
    for x in range(width):
        ratio = x / max(1, width - 1)
        middle, spread = at(table, ratio), 2.0 * at(sd, ratio)
        low, high = _row(middle - spread, scale, rows), _row(middle + spread, scale, rows)
        for y in range(max(0, low), min(rows - 1, high) + 1):
            grid[y][x] = ink.band
        for value, mark in ((at(lost, ratio), ink.lost), (middle, ink.model)):
            y = _row(value, scale, rows)
            if 0 <= y < rows:
                grid[y][x] = mark
    return tuple(tuple(row) for row in grid)


def _row(value: float, scale: tuple[float, float], rows: int) -> int:
    low, high = scale
    share = (value - low) / (high - low) if isfinite(value) else -1.0
    return round(min(2.0, max(-1.0, share)) * (rows - 1))


def plot(
    title: str,
    table: tuple[float, ...],
    sd: tuple[float, ...],
    lost: tuple[float, ...],
    scale: tuple[float, float],
    seen: Iterable[tuple[float, float]],
    size: tuple[int, int],
    digits: int,
    ink: Ink,
) -> list[Line]:
    """One curve over speed ratio 0..1 in `size` (width, rows) places.

    `seen` is oldest first; its last point is drawn as the present one. What lies off the scale is not drawn.
    """
    width, rows = size[0] - AXIS - 1, size[1] - 2
    grid = [list(row) for row in _ground(table, sd, lost, scale, (width, rows), ink)]
    last = None
    for ratio, value in seen:
        x, y = round(min(1.0, max(0.0, ratio)) * (width - 1)), _row(value, scale, rows)
        if not 0 <= y < rows:
            continue
        grid[y][x] = ink.seen
        last = x, y
    if last:
        grid[last[1]][last[0]] = ink.now
    lines: list[Line] = [[(f" {title}", "label")]]
    for y in reversed(range(rows)):
        value = scale[0] + (scale[1] - scale[0]) * y / max(1, rows - 1)
        label = number(value, AXIS, digits) if y % 2 == 0 else " " * AXIS
        lines.append([(label + " ", "label"), *_styled(grid[y], ink)])
    ends = "0.0" + "speed ratio".center(width - 6) + "1.0"
    lines.append([(" " * (AXIS + 1) + ends, "label")])
    return lines


def _styled(row: list[str], ink: Ink) -> Line:
    """Neighbours of one style together."""
    styles = {ink.seen: "value", ink.now: "value", ink.model: "head"}
    line: Line = []
    for mark in row:
        style = styles.get(mark, "label")
        if line and line[-1][1] == style:
            line[-1] = (line[-1][0] + mark, style)
        else:
            line.append((mark, style))
    return line


def capacity_scale(curves: Curves) -> tuple[float, float]:
    """K axis: from below the lost stator's stall to well above the working one's."""
    stall = curves.k[0]
    return 0.5 * min(curves.k_lost[0], stall), 1.7 * stall


def torque_ratio_scale(curves: Curves) -> tuple[float, float]:
    """Torque-ratio axis."""
    return 0.6, max(curves.tr) + 0.3
