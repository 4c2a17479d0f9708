"""What the views cost: `python tests/bench/views.py`. Times beside that of one f-string of ten numbers.

Trace rows and the memory are on the hot path of a replay; a screen is drawn at most --fps times a second.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from io import BytesIO, TextIOWrapper
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from timeit import repeat

from livemon.views import example
from livemon.views.memory import Memory
from livemon.views.screen import Screen, render
from livemon.views.trace import TraceWriter


class Terminal(TextIOWrapper):
    """A stream that says it is a terminal and counts what it gets."""

    def isatty(self) -> bool:
        return True


def each_us(work: Callable[[], object], number: int) -> float:
    """Microseconds a call, the best of five."""
    return min(repeat(work, number=number, repeat=5)) / number * 1e6


def main() -> None:
    e = replace(example.ESTIMATE)
    unit_us = (
        each_us(lambda: f"{e.time_s:.3f} {e.engine_rpm:.1f} {e.slip_rpm:.1f} {e.slip_sd_rpm:.2f}", 50_000)
        * 2.5
    )
    lines = [f"ten numbers in an f-string {unit_us:8.2f} us"]
    with TemporaryDirectory() as folder:
        trace = TraceWriter(Path(folder) / "trace.csv")
        lines.append(_line("trace row", each_us(lambda: trace.write(e), 50_000), unit_us))
        trace.close()
    memory, tick = Memory(), count()

    def remember() -> None:
        e.time_s = next(tick) * 0.02
        memory.add(e)

    lines.append(_line("estimate remembered", each_us(remember, 50_000), unit_us))
    s = example.snapshot()
    for width, height in ((80, 24), (120, 40)):
        os.environ |= {"TERM": "xterm-256color", "COLUMNS": str(width), "LINES": str(height)}
        render_us = each_us(partial(render, s, width, height), 50)
        lines.append(_line(f"render {width}x{height}", render_us, unit_us))
        out = BytesIO()
        view = Screen(fps=30.0, stream=Terminal(out, encoding="utf-8", write_through=True))

        def draw(view: Screen = view) -> None:
            view._drawn_s = float("-inf")  # as if the time for the next screen had come
            view.update(replace(s, time_s=float(next(tick))))

        frame_us = each_us(draw, 50)
        lines.append(
            _line(f"screen {width}x{height}", frame_us, unit_us) + f", {len(out.getvalue()) / 250:.0f} bytes"
        )
        view.close(None)
    sys.stdout.write("\n".join(lines) + "\n")


def _line(name: str, us: float, unit_us: float) -> str:
    return f"{name:<26} {us:8.2f} us, {us / unit_us:7.1f} times that"


if __name__ == "__main__":
    main()
