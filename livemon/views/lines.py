"""The strokes a screen is drawn with: fitted lines, fixed-width numbers, bars, big digits. Text only.

A line is a list of (text, style name); screen.py alone knows what a style name looks like.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, log10
from typing import Final

from rich.cells import cell_len, set_cell_size

from livemon.views.sentences import clean, fit_encoding

Line = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Ink:
    """The characters a terminal can show."""

    unicode: bool
    plus_minus: str
    rule: str
    full: str
    empty: str
    rises: str  # a column filled 0/8 ... 8/8
    seen: str
    now: str
    band: str
    model: str
    lost: str
    more: str

    def text(self, text: object) -> str:
        """Text from outside as this terminal can show it."""
        cleaned = clean(text)
        return cleaned if self.unicode else fit_encoding(cleaned, "ascii")


UNICODE: Final = Ink(True, "±", "─", "█", "·", " ▁▂▃▄▅▆▇█", "o", "●", "░", "━", "╌", "…")
ASCII: Final = Ink(False, "+/-", "-", "#", ".", "  ..::||#", "o", "@", ":", "=", "-", "~")


def fitted(line: Line, width: int) -> Line:
    """The line cut or padded to exactly `width` cells."""
    out: Line = []
    left = width
    for text, style in line:
        cells = cell_len(text)
        if cells > left:
            out.append((set_cell_size(text, left), style))
            return out
        out.append((text, style))
        left -= cells
    if left:
        out.append((" " * left, ""))
    return out


def spread(left: str, right: str, width: int) -> str:
    """`left` and `right` at the two ends; the left one gives way."""
    room = width - cell_len(right)
    if room <= 0:
        return set_cell_size(right, width)
    return set_cell_size(left, room) + right


def wrapped(text: str, width: int, rows: int, ink: Ink) -> list[str]:
    """`text` on at most `rows` lines of at most `width` cells; a cut shows."""
    if width < 1 or rows < 1:
        return []
    lines: list[str] = []
    line = ""
    words = text.split()
    for i, word in enumerate(words):
        longer = f"{line} {word}" if line else word
        if cell_len(longer) <= width:
            line = longer
        elif len(lines) == rows - 1:
            rest = " ".join(([line] if line else []) + words[i:])
            return [*lines, set_cell_size(rest, max(0, width - 1)).rstrip() + ink.more]
        else:
            if line:
                lines.append(line)
            line = word if cell_len(word) <= width else set_cell_size(word, width - 1) + ink.more
    return [*lines, line] if line else lines


def number(value: float | None, width: int, digits: int = 0) -> str:
    """A number right-aligned in exactly `width` places: "-" when not known, "*" when it does not fit."""
    if value is None or not isfinite(value):
        return "-".rjust(width)
    text = f"{value:{width}.{digits}f}"
    if len(text) > width:
        return "*" * width
    return text.replace("-0", " 0", 1) if float(text) == 0.0 else text


def band(sd: float | None, width: int, ink: Ink, digits: int = 0) -> str:
    """Plus and minus two standard deviations, always as wide."""
    if sd is None:
        return " " * (len(ink.plus_minus) + 1 + width)
    return f"{ink.plus_minus} {number(2.0 * sd, width, digits).strip():<{width}}"


def bar(share: float, width: int, ink: Ink) -> str:
    """A bar of `width` places, filled to `share` of 0..1."""
    filled = round(min(1.0, max(0.0, share)) * width) if isfinite(share) else 0
    return ink.full * filled + ink.empty * (width - filled)


def rule(title: str, note: str, width: int, ink: Ink) -> Line:
    """A section's heading on its rule, with a note at the right end."""
    head = f"{ink.rule} {title} "
    tail = f" {note} {ink.rule}" if note else ""
    fill = ink.rule * max(0, width - cell_len(head) - cell_len(tail))
    return [(head, "head"), (fill, "rule"), (tail, "label")]


# Digits of three by five dots, two dots to a character.
_DOTS: Final = {
    "0": "█▀██ █▀▀▀", "1": "▄█  █ ▀▀▀", "2": "▀▀██▀▀▀▀▀", "3": "▀▀█▀▀█▀▀▀", "4": "█ █▀▀█  ▀",
    "5": "█▀▀▀▀█▀▀▀", "6": "█▀▀█▀█▀▀▀", "7": "▀▀█  █  ▀", "8": "█▀██▀█▀▀▀", "9": "█▀█▀▀█▀▀▀",
    "R": "█▀▄█▀▄▀ ▀", "n": "   █▀█▀ ▀", "-": "   ▀▀▀   ", "*": "█ █ ▀ ▀ ▀", " ": "         ",
}  # fmt: skip
_STROKES: Final = {
    "0": " _ | ||_|", "1": "     |  |", "2": " _  _||_ ", "3": " _  _| _|", "4": "   |_|  |",
    "5": " _ |_  _|", "6": " _ |_ |_|", "7": " _   |  |", "8": " _ |_||_|", "9": " _ |_| _|",
    "R": " _ |_)| \\", "n": "    _ | |", "-": "    _    ", "*": " _ |_||_|", " ": "         ",
}  # fmt: skip


def big(text: str, ink: Ink) -> tuple[str, str, str]:
    """Digits three lines high, four places each."""
    glyphs = _DOTS if ink.unicode else _STROKES
    shapes = [glyphs.get(c, glyphs[" "]) for c in text]
    top, middle, bottom = (" ".join(shape[i : i + 3] for shape in shapes) for i in (0, 3, 6))
    return top, middle, bottom


def rise(values: Sequence[float | None], rows: int, floor: float, ceiling: float, ink: Ink) -> list[str]:
    """Columns on a logarithmic scale from `floor` to `ceiling`, top row first.

    None leaves a gap; a value at or below `floor`, negative ones too, is a line at the foot.
    """
    levels = [
        None if v is None else 0 if v <= floor else
        min(8 * rows, max(1, round(8 * rows * log10(v / floor) / log10(ceiling / floor))))
        for v in values
    ]  # fmt: skip
    return [
        "".join(
            " " if n is None else "_" if n == row == 0 else ink.rises[min(8, max(0, n - 8 * row))]
            for n in levels
        )
        for row in reversed(range(rows))
    ]
