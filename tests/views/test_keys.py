"""Key presses from a real pseudo-terminal; the terminal's modes come back whatever happens."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from io import StringIO
from pathlib import Path

import pytest

from livemon.views.keys import Keys

PROGRAM = """
import sys, termios, time
from livemon.views.keys import Keys
before = termios.tcgetattr(0)
try:
    with Keys() as keys:
        assert not termios.tcgetattr(0)[3] & termios.ICANON
        assert termios.tcgetattr(0)[3] & termios.ISIG
        print("ready", flush=True)
        seen = ""
        deadline = time.monotonic() + 5.0
        while "q" not in seen and time.monotonic() < deadline:
            seen += keys.read()
            time.sleep(0.01)
        raise KeyError(seen)
except KeyError as error:
    print("seen", error.args[0], termios.tcgetattr(0) == before, flush=True)
"""


def test_keys_of_a_terminal() -> None:
    pty = pytest.importorskip("pty")
    pid, fd = pty.fork()
    if pid == 0:
        os.execv(sys.executable, [sys.executable, "-c", PROGRAM])
    text = b""
    try:
        while b"ready" not in text:
            text += os.read(fd, 1000)
        for pressed in (b"m", b"\x1b[A", b"Q"):
            os.write(fd, pressed)
            time.sleep(0.1)
        while b"seen" not in text or not text.endswith(b"\n"):
            text += os.read(fd, 1000)
    finally:
        os.close(fd)
        os.waitpid(pid, 0)
    assert b"seen mq True" in text


@pytest.mark.parametrize("stream", [StringIO("q"), None])
def test_without_a_terminal_there_are_no_keys(stream: StringIO | None, tmp_path: Path) -> None:
    file = tmp_path / "keys"
    file.write_text("q")
    with file.open() as opened, Keys(stream or opened) as keys:
        assert keys.read() == ""


def test_a_closed_standard_input_is_no_trouble() -> None:
    program = """
import os
os.close(0)
from livemon.views.keys import Keys
with Keys() as keys:
    print(repr(keys.read()))
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout == "''\n"


def test_the_keys_of_a_replay_stop_it_and_mark(tmp_path: Path) -> None:
    """What the screen offers works: q ends the replay and its outputs are written, m marks a moment."""
    pty = pytest.importorskip("pty")
    root = Path(__file__).parents[2]
    out = tmp_path / "r.json"
    command = [sys.executable, "-m", "livemon", "replay", str(root / "replays" / "healthy.log")]
    pid, fd = pty.fork()
    if pid == 0:
        os.environ |= {"TERM": "xterm", "PYTHONPATH": str(root)}
        os.execv(sys.executable, [*command, "--json", str(out), "--pace", "20"])
    text = b""
    try:
        while b"q quit" not in text:
            text += os.read(fd, 10000)
        os.write(fd, b"m")
        time.sleep(0.3)
        os.write(fd, b"q")
        while chunk := _read(fd):
            text += chunk
    finally:
        os.close(fd)
        _, status = os.waitpid(pid, 0)
    assert os.waitstatus_to_exitcode(status) == 0 and out.exists()
    assert b"Marked in the drive" in text and re.search(rb"- \d\d:\d\d marked at \d+ km/h", text)


def _read(fd: int) -> bytes:
    try:
        return os.read(fd, 10000)
    except OSError:  # the other end is gone
        return b""
