"""Plain lines: warnings at once, a status line now and then, the call; on any stream and encoding."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from io import BytesIO, StringIO, TextIOWrapper

import pytest

from livemon import records
from livemon.quantities import QUANTITIES
from livemon.records import FindingName
from livemon.views import example, plain
from livemon.views.plain import Plain
from livemon.views.sentences import FINDINGS, REGIME, SENTENCE, SHORT, clean, clock, percent, quantity


def test_a_warning_is_one_line_at_once() -> None:
    out = StringIO()
    view = Plain(out)
    view.warn(example.WARNING)
    view.warn(records.Warning(80.0, "lockup_slip", "Lockup slip was a worn tyre.", False, 0.2))
    raised, withdrawn = out.getvalue().splitlines()
    assert raised == f"01:01  WARNING: {example.WARNING.sentence} (93 %)"
    assert withdrawn == "01:20  withdrawn: Lockup slip was a worn tyre. (20 %)"


def test_the_bell_sounds_on_a_raised_warning_only() -> None:
    out = StringIO()
    view = Plain(out, bell=True)
    view.warn(replace(example.WARNING, raised=False))
    assert "\a" not in out.getvalue()
    view.warn(example.WARNING)
    assert out.getvalue().count("\a") == 1


def test_one_status_line_every_so_many_seconds() -> None:
    out = StringIO()
    view = Plain(out, every_s=10.0)
    for tenth in range(305):
        view.update(replace(example.snapshot(), time_s=tenth / 10, cannot_judge=()))
    lines = out.getvalue().splitlines()
    assert [line[:5] for line in lines] == ["00:00", "00:10", "00:20", "00:30"]
    assert "engine 1545 rpm, slip 805 ± 22 rpm, speed ratio 0.48, gear 1, launch" in lines[0]


def test_a_link_notice_is_told_once() -> None:
    out = StringIO()
    view = Plain(out)
    for _ in range(3):
        view.update(replace(example.snapshot(), notice="no answer for 3 s, asking again"))
    assert out.getvalue().count("no answer for 3 s") == 1


def test_the_call_names_everything() -> None:
    out = StringIO()
    Plain(out).close(example.drive())
    text = out.getvalue()
    assert "THE CALL: The stator's one-way clutch does not hold" in text
    assert "Inside the transmission; probability 93 %." in text
    for part in (
        "Because:",
        "Against:",
        "Check next:",
        "cannot judge:",
        "- 00:30 here it shook",
        "does not replace them",
    ):
        assert part in text


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8"])
def test_any_encoding(encoding: str) -> None:
    raw = BytesIO()
    stream = TextIOWrapper(raw, encoding=encoding)
    view = Plain(stream)
    view.update(replace(example.snapshot(), vehicle=example.VEHICLE))
    view.warn(replace(example.WARNING, sentence="Kübel 車 → ±3 \x1b[2J\nnext"))
    view.close(example.drive())
    stream.flush()
    text = raw.getvalue().decode(encoding)
    assert "\x1b" not in text
    assert "next" in next(line for line in text.splitlines() if "WARNING" in line)


def test_a_reader_that_leaves_early_does_not_end_the_drive() -> None:
    program = (
        "from livemon.views import example, plain\n"
        "view = plain.Plain()\n"
        "for _ in range(5000): view.warn(example.WARNING)\n"
        "view.close(example.drive())\n"
        "import sys; sys.stderr.write('done')\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b"done"
    assert process.returncode == 0


@pytest.mark.parametrize("term", ["dumb", "unknown", ""])
def test_a_dumb_terminal_gets_plain_lines(monkeypatch: pytest.MonkeyPatch, term: str) -> None:
    class Terminal(StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("TERM", term)
    assert not plain.usable_screen(Terminal())
    monkeypatch.setenv("TERM", "xterm-256color")
    assert plain.usable_screen(Terminal())
    assert not plain.usable_screen(StringIO())


@pytest.mark.parametrize("finding", FINDINGS)
def test_every_finding_has_its_words(finding: FindingName) -> None:
    assert SENTENCE[finding].endswith(".") and "_" not in SENTENCE[finding]
    assert len(SHORT[finding]) <= 24


def test_every_quantity_has_its_words() -> None:
    bare = {name for name, unit in QUANTITIES.items() if unit == "1"}  # states: the name itself reads well
    for name in QUANTITIES.keys() - bare:
        words = quantity(name)
        assert words != name.replace("_", " ") and "_" not in words, name


def test_words_for_numbers() -> None:
    assert [percent(p) for p in (0.0, 0.004, 0.5, 0.994, 0.999)] == ["0 %", "<1 %", "50 %", "99 %", ">99 %"]
    assert [clock(t) for t in (-1.0, 59.9, 754.3, 7200.0)] == ["00:00", "00:59", "12:34", "120:00"]
    assert clean("a\x07b\x1b[31m\r\n") == "a b [31m  "
    assert len(REGIME) == 8


def test_damage_to_the_recording_is_told_with_the_call() -> None:
    out = StringIO()
    Plain(out).close(replace(example.drive(), notices=["drive.log:9: the last line is cut; left out"]))
    assert "  Notices:\n    - drive.log:9: the last line is cut; left out\n" in out.getvalue()
