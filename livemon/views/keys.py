"""Key presses while the screen is up, read without a thread and without waiting."""

from __future__ import annotations

import os
import select
import sys
from types import TracebackType
from typing import TextIO


class Keys:
    """Single key presses from a terminal, as a context manager that restores the terminal.

    There are no keys where standard input is no terminal or belongs to another job, or without termios.
    Ctrl-C and Ctrl-Z keep their meaning.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stdin
        self._fd: int | None = None
        self._before: list[object] | None = None

    def __enter__(self) -> Keys:
        try:
            import termios
            import tty
        except ImportError:  # not a POSIX system
            return self
        try:
            fd = self._stream.fileno()
            # A background job that touches the terminal's modes is stopped by the system.
            if os.isatty(fd) and os.tcgetpgrp(fd) == os.getpgrp():
                self._before = termios.tcgetattr(fd)
                tty.setcbreak(fd, termios.TCSANOW)
                self._fd = fd
        except (OSError, ValueError, AttributeError, termios.error):
            self._fd = None
        return self

    def read(self) -> str:
        """The keys pressed since the last call, in lower case; "" when none."""
        if self._fd is None:
            return ""
        try:
            if not select.select([self._fd], [], [], 0.0)[0]:
                return ""
            pressed = os.read(self._fd, 64)
        except OSError:
            self._fd = None
            return ""
        if not pressed:  # the terminal is gone
            self._fd = None
        if pressed.startswith(b"\x1b"):  # an arrow or function key, not letters
            return ""
        return pressed.decode("utf-8", "ignore").lower()

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is None:
            return
        import termios

        try:
            termios.tcsetattr(self._stream.fileno(), termios.TCSANOW, self._before)  # type: ignore[arg-type]
        except (OSError, ValueError, termios.error):
            return
        finally:
            self._fd = self._before = None
