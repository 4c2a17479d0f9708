"""Tables as text: columns as wide as their longest cell, never wrapped or cut, so a pipe gets all of it."""

from __future__ import annotations

from collections.abc import Sequence


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """The lines of a table."""
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in [head, *rows]
    ]
