"""The screen on a terminal: when it draws, its bell and colours, and what stays when it closes."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO, TextIOWrapper

import pytest

from livemon.errors import UsageError
from livemon.views import example
from livemon.views.screen import Screen


class Terminal(TextIOWrapper):
    """A stream that says it is a terminal."""

    def __init__(self, encoding: str = "utf-8") -> None:
        self.raw_bytes = BytesIO()
        super().__init__(self.raw_bytes, encoding=encoding, write_through=True)

    def isatty(self) -> bool:
        return True

    def shown(self) -> str:
        return self.raw_bytes.getvalue().decode(self.encoding)


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    for name, value in {"TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"}.items():
        monkeypatch.setenv(name, value)
    for name in ("NO_COLOR", "FORCE_COLOR", "COLORTERM", "TTY_COMPATIBLE", "TTY_INTERACTIVE"):
        monkeypatch.delenv(name, raising=False)
    return Terminal()


def test_the_call_stays_when_the_screen_closes(terminal: Terminal) -> None:
    view = Screen(stream=terminal)
    view.update(example.snapshot())
    assert "\x1b[?1049h" in terminal.shown()
    view.close(example.drive())
    after = terminal.shown().split("\x1b[?1049l")[1]
    assert "THE CALL:" in after and "Check next:" in after
    assert after.splitlines()[-1] == "CALL: stator not holding, 93 %, inside the transmission."
    assert all(len(line) <= 80 for line in after.splitlines()[1:])
    view.close(None)  # safe to call twice


def test_a_screen_that_looks_the_same_is_not_drawn_again(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = iter(range(1000))
    monkeypatch.setattr("livemon.views.screen.time.monotonic", lambda: float(next(now_s)))
    view = Screen(stream=terminal)
    view.update(example.snapshot())
    size = len(terminal.shown())
    view.update(example.snapshot())
    assert len(terminal.shown()) == size
    view.update(replace(example.snapshot(), time_s=99.0))
    assert len(terminal.shown()) > size
    view.close(None)


def test_no_more_screens_a_second_than_asked(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [0.0]
    monkeypatch.setattr("livemon.views.screen.time.monotonic", lambda: clock[0])
    view = Screen(fps=2.0, stream=terminal)
    drawn = 0
    for i in range(100):
        clock[0] = i * 0.1
        before = len(terminal.shown())
        view.update(replace(example.snapshot(), time_s=float(i)))
        drawn += len(terminal.shown()) > before
    assert 19 <= drawn <= 21
    view.close(None)


def test_a_warning_is_drawn_at_once(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("livemon.views.screen.time.monotonic", lambda: 5.0)
    view = Screen(stream=terminal)
    view.update(replace(example.snapshot(), warnings=[]))
    view.warn(example.WARNING)
    assert view.due_s == 0.0
    view.update(example.snapshot())
    assert "The stator does not hold" in terminal.shown()
    view.close(None)


@pytest.mark.parametrize("bell", [True, False])
def test_the_bell(terminal: Terminal, bell: bool) -> None:
    view = Screen(stream=terminal, bell=bell)
    view.update(example.snapshot())
    view.warn(replace(example.WARNING, raised=False))
    assert "\x07" not in terminal.shown()
    view.warn(example.WARNING)
    assert ("\x07" in terminal.shown()) is bell
    view.close(None)


def test_no_color_leaves_no_colour(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    Screen(stream=terminal).update(example.snapshot())
    assert "31m" in terminal.shown()
    plain = Terminal()
    monkeypatch.setenv("NO_COLOR", "1")
    Screen(stream=plain).update(example.snapshot())
    assert "31m" not in plain.shown() and "36m" not in plain.shown()
    assert "! 01:01" in plain.shown() and "LOW" in plain.shown()


def test_an_ascii_terminal_gets_ascii(terminal: Terminal) -> None:
    old = Terminal("ascii")
    view = Screen(stream=old)
    view.update(replace(example.snapshot(), source="Prüffahrt.log"))
    view.close(example.drive())
    assert "+/- 22" in old.shown() and "THE CALL" in old.shown()


@pytest.mark.parametrize("writes", [0, 1, 5])
def test_a_terminal_that_goes_away_ends_the_drawing_and_nothing_else(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch, writes: int
) -> None:
    now_s = iter(range(1000))
    monkeypatch.setattr("livemon.views.screen.time.monotonic", lambda: float(next(now_s)))
    left = iter(range(writes))
    write = terminal.write

    def gone(text: str) -> int:
        if next(left, None) is None:
            raise OSError(5, "Input/output error")
        return write(text)

    monkeypatch.setattr(terminal, "write", gone)
    view = Screen(stream=terminal, bell=True)
    for i in range(10):
        view.update(replace(example.snapshot(), time_s=float(i)))
        view.warn(example.WARNING)
    view.close(None)  # of a drive without a result
    with pytest.raises(UsageError, match="Input/output error"):
        view.close(example.drive())
