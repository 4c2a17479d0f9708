"""Lines on a stream, whatever it can encode and whatever a name out of a file holds."""

from __future__ import annotations

import sys
from contextlib import suppress
from typing import TextIO

from livemon.views.sentences import clean, fit_encoding


def say(*lines: str, to: TextIO | None = None) -> None:
    """Write the lines, to standard output unless told otherwise. A line break inside one becomes a blank."""
    stream = to or sys.stdout
    for line in lines:
        stream.write(fit_encoding(clean(line), getattr(stream, "encoding", None)) + "\n")


def mention(line: str) -> None:
    """Write a line to standard error, where there is one that takes it: nothing depends on it."""
    with suppress(OSError):
        say(line, to=sys.stderr)
        sys.stderr.flush()
