"""What a source is: three methods and nothing else. Retries, recording and pacing live above it."""

from __future__ import annotations

from typing import Protocol

from livemon.permit import Permitted
from livemon.records import Frame


class Source(Protocol):
    """A place frames come from. Errors of the link leave it as LinkError, of a file as RecordingError."""

    def read(self, timeout_s: float) -> Frame | None:
        """The next frame, or None when none came within `timeout_s`.

        What was sent comes out as well, stamped when it left: a recording holds both sides.
        """

    def send(self, ask: Permitted) -> None:
        """Transmit one permitted frame. Listen-only sources raise RefusedError."""

    def close(self) -> None:
        """Let go of the port or file. Safe to call twice."""
