"""The full screen. `render` is a pure function of one Snapshot; Screen puts it on the terminal.

python -m livemon.views.screen [WIDTH HEIGHT]     draws one built-in snapshot
"""

from __future__ import annotations

import sys
import textwrap
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from math import inf
from typing import Final, TextIO

from rich.console import Console, ConsoleOptions
from rich.live import Live
from rich.segment import Segment
from rich.style import Style

from livemon import records
from livemon.errors import UsageError
from livemon.views import against, panels, warned
from livemon.views.lines import ASCII, UNICODE, Ink, Line, fitted
from livemon.views.plain import call_lines, let_go
from livemon.views.sentences import clean, fit_encoding
from livemon.views.snapshot import Drive, Snapshot

# Weight carries the meaning together with words and marks; colour only repeats it.
STYLES: Final = {
    "": Style(),
    "head": Style(bold=True, color="cyan"),
    "rule": Style(dim=True),
    "label": Style(),
    "value": Style(bold=True),
    "alarm": Style(bold=True, color="red"),
    "safety": Style(dim=True),
}
SAFETY: Final = "The driver drives, a second person watches. The maker's procedure comes first."
PLOT_ROWS: Final = 9


@dataclass(frozen=True, slots=True)
class Page:
    """A finished screen: every line fitted to the width. Two that look alike are equal."""

    lines: list[Line]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        last = len(self.lines) - 1
        for i, line in enumerate(self.lines):
            for text, style in line:
                yield Segment(text, STYLES[style])
            if i < last:
                yield Segment.line()


def render(snapshot: Snapshot, width: int, height: int, ink: Ink = UNICODE) -> Page:
    """The whole screen in `width` x `height` places. What does not fit goes, the least important first."""
    s = snapshot
    rows = {
        "title": 1, "warnings": 2, "now": 5, "causes": 6, "still": 1, "safety": 1, "link": 1, "model": 3,
        "slip": 4,
    }  # fmt: skip
    left = height
    for name, needed in rows.items():  # in order of importance
        rows[name] = needed if needed <= left else 0
        left -= rows[name]
    plots = 0
    if rows["slip"] and rows["model"]:
        if left >= PLOT_ROWS and width >= 100 and s.curves is not None:
            plots = min(PLOT_ROWS + max(0, (left - 20) // 2), left)
            left -= plots
        for name, most in (
            ("warnings", 2),
            ("slip", 3),
            ("limits", 3),
            ("warnings", 4),
        ):
            more = min(left, most) if name != "slip" or left >= most else 0
            rows[name] = rows.get(name, 0) + more
            left -= more
    lines: list[Line] = []
    if rows["title"]:
        lines += panels.title(s, width, ink)
    if rows["warnings"]:
        lines += warned.warnings(s, width, rows["warnings"], ink)
    if rows["now"]:
        lines += panels.now(s, width, ink)
    if rows["model"]:
        lines += against.model(s, width, ink)
    if plots:
        lines += against.curves(s, width, plots, ink)
    if rows["slip"]:
        lines += panels.slip(s, width, rows["slip"] - 1, ink)
    if rows["causes"]:
        lines += panels.causes(s, width, ink)
    if rows["still"]:
        lines.append(panels.still(s, width, not rows.get("limits"), ink))
    lines += panels.limits(s, rows.get("limits", 0), ink)
    lines += [[]] * left
    if rows["link"]:
        lines.append(panels.link(s, width, ink))
    if rows["safety"]:
        lines.append([(f" {SAFETY}", "safety")])
    return Page([fitted(line, width) for line in lines])


class Screen:
    """The view for a terminal: redraws at most `fps` times a second, and only what has changed.

    A terminal that goes away, as a closed window, ends the drawing and not the drive: `close` then says so.
    """

    def __init__(self, fps: float = 4.0, bell: bool = False, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stdout
        self._console = Console(file=self._stream, markup=False, highlight=False, emoji=False)
        self._ink = UNICODE if self._console.encoding.startswith("utf") else ASCII
        self._every_s = 1.0 / min(30.0, max(0.1, fps))
        self._bell = bell
        self._live: Live | None = None
        self._page: Page | None = None
        self._drawn_s, self._shown_s = -inf, 0.0  # on the machine's clock, and in the drive
        self._pace = 1.0  # drive seconds a second
        self._lost = ""  # why the terminal takes nothing any more
        self.due_s = 0.0

    def update(self, snapshot: Snapshot) -> None:
        """Draw the snapshot unless the last drawing is too fresh or looks the same."""
        if self._lost:
            return
        now_s = time.monotonic()
        waited_s = now_s - self._drawn_s
        if waited_s < 0.9 * self._every_s:
            self.due_s = snapshot.time_s + (self._every_s - waited_s) * self._pace
            return
        self._pace = max(1.0, (snapshot.time_s - self._shown_s) / waited_s)
        self._drawn_s, self._shown_s = now_s, snapshot.time_s
        self.due_s = snapshot.time_s + self._every_s * self._pace
        page = render(snapshot, self._console.width, self._console.height, self._ink)
        if page == self._page:
            return
        self._page = page
        with self._losing():
            if self._live is None:
                self._live = Live(
                    page, console=self._console, screen=True, auto_refresh=False,
                    redirect_stdout=False, redirect_stderr=False,
                )  # fmt: skip
                self._live.start(refresh=True)
            else:
                self._live.update(page, refresh=True)

    def warn(self, warning: records.Warning) -> None:
        """Sound the bell, if asked for, and let the next snapshot be drawn at once."""
        if self._lost:
            return
        self.due_s, self._drawn_s = 0.0, -inf
        if self._bell and warning.raised:
            with self._losing():
                self._console.bell()

    def close(self, drive: Drive | None) -> None:
        """Give the terminal back, then print the call where it stays. UsageError when that cannot be."""
        live, self._live = self._live, None
        if live is not None:
            with self._losing():
                live.stop()
        if drive is None:
            return
        with self._losing():
            self._print(drive)
        if self._lost:
            raise UsageError("a terminal that takes the call", self._lost, "standard output", "keep it open")

    @contextmanager
    def _losing(self) -> Iterator[None]:
        """What writes to the terminal, which may be gone."""
        try:
            yield
        except OSError as failure:
            self._lost = self._lost or failure.strerror or str(failure)
            self.due_s = inf
            let_go(self._stream)

    def _print(self, drive: Drive) -> None:
        width = max(20, self._console.width)
        self._stream.write("\n")  # the cursor may stand anywhere after a change of size
        for line in call_lines(drive):
            indent = " " * (len(line) - len(line.lstrip(" -")))
            text = fit_encoding(clean(line), self._console.encoding)
            self._stream.write(textwrap.fill(text, width, subsequent_indent=indent) + "\n")
        self._stream.flush()


def main(argv: list[str]) -> int:
    """Draw the built-in snapshot once, to look at a change of layout."""
    from livemon.views.example import snapshot

    console = Console(markup=False, highlight=False, emoji=False)
    width, height = (int(argv[0]), int(argv[1])) if len(argv) == 2 else (console.width, console.height - 1)
    ink = UNICODE if console.encoding.startswith("utf") else ASCII
    console.print(render(snapshot(), width, height, ink), soft_wrap=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
