"""The lines of a text recording, without those that hold bytes no text has: damage to one loses one."""

from __future__ import annotations

import gzip
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Final

_LONGEST_LINE: Final = 4096  # of CAN FD stays under 500
_COMMENTS: Final = ("//", ";")
_NO_LINE: Final = ";\n"  # neither header nor frame in any of the formats
_DIGITS: Final = frozenset("0123456789")


class TextLines:
    """An open text file as python-can's readers want one; `taken` counts its lines. `stop` ends it early.

    `cut`: its last line has no end. A frame in it is left out, as half a byte reads as a whole one.
    """

    def __init__(self, path: Path, counters: Counter[str], stop: Callable[[], bool]) -> None:
        self._counters = counters
        self._stop = stop
        self.taken = 0
        self.cut = False
        self._again = False
        opened = gzip.open if path.suffix.lower() == ".gz" else open
        self._file = opened(path, "rt", encoding="utf-8-sig", errors="replace")

    def __iter__(self) -> TextLines:
        return self

    def __next__(self) -> str:
        if self._again:
            self._again = False
            return _NO_LINE
        while not self._stop() and (line := self._file.readline(_LONGEST_LINE)):
            self.taken += 1
            whole = len(line) < _LONGEST_LINE or self._skip_rest()
            if len(line) < _LONGEST_LINE and not line.endswith("\n") and line.lstrip()[:1] in _DIGITS:
                self.cut = True
                continue
            if whole and "\N{REPLACEMENT CHARACTER}" not in line:
                return line
            if not line.startswith(_COMMENTS):
                self._counters["damaged_lines"] += 1
        raise StopIteration

    def _skip_rest(self) -> bool:
        """Pass over the rest of a line that has none to end it in sight, and say that it is not whole."""
        while not self._stop():
            rest = self._file.readline(_LONGEST_LINE)
            if len(rest) < _LONGEST_LINE or rest.endswith("\n"):
                break
        return False

    def again(self) -> None:
        """A reader begins anew after a line it could not read; it is to lose no line to its header."""
        self._counters["damaged_lines"] += 1
        self._again = True

    def close(self) -> None:
        self._file.close()
