"""Commands as a user types them: exit status, one-line errors, what reaches the streams."""

from __future__ import annotations

import fcntl
import gc
import json
import os
import shlex
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from livemon.cli import COMMANDS, main

ROOT = Path(__file__).parent.parent
RECORDING = "(1600000000.000000) can0 7DF#02010C0000000000\n(1600000000.012000) can0 7E8#04410C0C08000000\n"


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert "Traceback" not in captured.err
    return captured.err


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    assert all(name in out for name in COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_its_options(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as exit_:
        main([name, "--help"])
    assert exit_.value.code == 0
    assert "usage" in capsys.readouterr().out


def test_a_misspelt_command_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reply"]) == 2
    assert "'replay'" in one_line(capsys)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["replay"], "RECORDING"),
        (["replay", "absent.log"], "absent.log"),
        (["replay", "absent.log", "--pace", "-1"], "--pace"),
        (["replay", "absent.log", "--pace", "1e-300"], "0 or 0.001 to 1000000"),
        (["demo", "--pace", "1e-12"], "0 or 0.001 to 1000000"),
        (["replay", "absent.log", "--dbc", "a.dbc", "--j1939"], "choose one"),
        (["demo", "--fault", "gremlins"], "gremlins"),
        (["stall", "--vehicle", "absent.toml"], "absent.toml"),
    ],
)
def test_wrong_usage_is_one_line_and_status_2(
    arguments: list[str],
    says: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    assert says in one_line(capsys)


@pytest.mark.parametrize("content", [b"", b"\0" * 100, b"not a recording\n", b"(1.0) can0 7E8#0"])
def test_an_unusable_recording_is_one_line_and_status_2(
    content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(content)
    assert main(["replay", str(path)]) == 2
    assert str(path) in one_line(capsys)


def test_an_output_that_cannot_be_written_is_refused_before_the_drive(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "drive.log"
    path.write_text(RECORDING)
    assert main(["replay", str(path), "--json", str(tmp_path / "absent" / "out.json")]) == 2
    assert "absent" in one_line(capsys)


def test_json_on_standard_output_is_json_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.write_text(RECORDING)
    done = subprocess.run(
        [sys.executable, "-m", "livemon", "replay", str(path), "--json", "-"],
        capture_output=True,
        text=True,
        check=True,
    )
    result = json.loads(done.stdout)
    assert result["call"]["finding"] == "not_enough_evidence"
    assert result["recording"]["frames"] == 2
    assert "THE CALL" in done.stderr


def test_a_reader_that_goes_away_is_no_error(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.write_text(RECORDING)
    done = subprocess.run(
        f"{sys.executable} -m livemon replay {path} | true",
        shell=True,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""


@pytest.mark.skipif(not hasattr(fcntl, "F_SETPIPE_SZ"), reason="only Linux makes a pipe small")
def test_ctrl_c_while_the_reader_takes_nothing_is_an_interruption(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    room = fcntl.fcntl(writing, fcntl.F_SETPIPE_SZ, 4096)
    os.write(writing, bytes(room))
    command = [sys.executable, "-m", "livemon", "history", "list"]
    environment = {**os.environ, "LIVEMON_HISTORY": str(tmp_path / "none.sqlite")}
    environment.pop("PYTHONUNBUFFERED", None)
    with subprocess.Popen(command, stdout=writing, stderr=subprocess.PIPE, env=environment) as process:
        os.close(writing)
        waits = Path(f"/proc/{process.pid}/wchan")
        until_s = time.monotonic() + 5.0
        while "pipe" not in waits.read_text() and time.monotonic() < until_s:
            time.sleep(0.02)
        process.send_signal(signal.SIGINT)
        with suppress(subprocess.TimeoutExpired):
            process.wait(5.0)
        process.kill()
        assert process.returncode == 130
        assert process.stderr is not None and process.stderr.read() == b""
    os.close(reading)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_damage_to_recording_or_trace_is_told_and_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "drive.log"
    path.write_text(RECORDING + "(1600000000.512000) can0 7E8#04410C0C0800")
    out = tmp_path / "out.json"
    assert main(["replay", str(path), "--trace", "/dev/full", "--json", str(out)]) == 2
    said, complaint = capsys.readouterr()
    assert complaint.count("\n") == 1 and "--trace" in complaint and "/dev/full" in complaint
    assert f"{path}:3: the last line is cut" in said and "the trace is cut short" in said
    assert json.loads(out.read_text())["counters"] == {"cut_last_line": 1, "cut_trace": 1}


def run(command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """A shell's redirections around `livemon`, with a recording and a vehicle file at hand."""
    (folder / "d.log").write_text(RECORDING)
    vehicle = 'name = "\\u001b[2JK\u00fcbel"\n[converter]\nstall_speed_rpm = 2100\nstall_torque_nm = 200\n'
    (folder / "v.toml").write_text(vehicle, "utf-8")
    whole = f'livemon() {{ {sys.executable} -m livemon "$@"; }}; {command}'
    return subprocess.run(
        ["sh", "-c", whole],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "ascii", "PYTHONUNBUFFERED": ""},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("command", ["--help", "vehicle --help", "vehicle check v.toml", "replay d.log"])
def test_a_full_disk_under_standard_output_is_one_line_and_status_2(command: str, tmp_path: Path) -> None:
    done = run(f"livemon {command} >/dev/full", tmp_path)
    assert done.returncode == 2
    assert [line for line in done.stderr.splitlines() if "No space left on device" in line] != []
    assert "Traceback" not in done.stderr and "Exception" not in done.stderr


def test_closed_streams_are_no_error(tmp_path: Path) -> None:
    done = run("livemon replay d.log --json r.json >&- 2>&- <&-", tmp_path)
    assert done.returncode == 0 and (tmp_path / "r.json").exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs a pipe with a name")
def test_a_service_stop_loses_nothing_that_was_judged(tmp_path: Path) -> None:
    (tmp_path / "a.log").write_text(RECORDING)
    os.mkfifo(tmp_path / "b.log")
    command = [sys.executable, "-m", "livemon", "fleet", "a.log", "b.log", "--json", "f.json"]
    with (
        subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process,
        (tmp_path / "b.log").open("w"),  # it is open once the first has been judged
    ):
        process.terminate()
        try:
            out, err = process.communicate(timeout=10.0)
        finally:
            process.kill()
    assert process.returncode == 130 and err == b""
    assert b"interrupted: 1 recordings not looked at" in out
    assert [entry["recording"] for entry in json.loads((tmp_path / "f.json").read_text())] == ["a.log"]


def test_libraries_write_nothing_of_their_own(caplog: pytest.LogCaptureFixture) -> None:
    assert main(["demo", "--seconds", "0", "--no-screen"]) == 0
    gc.collect()  # a bus left open would say so when it goes
    assert caplog.records == []


@pytest.mark.parametrize(
    "command", ["replay d.log --json=", "replay d.log --vehicle=", "replay d.log --dbc=", "fleet d.log ''"]
)
def test_an_empty_value_is_refused(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(shlex.split(command)) == 2
    assert "got an empty one" in one_line(capsys)


def test_a_number_that_is_none_is_refused_in_plain_words(capsys: pytest.CaptureFixture[str]) -> None:
    for value in ("x", "-1", "1e308", "nan"):
        assert main(["replay", "d.log", "--fps", value]) == 2
        assert f"expected a number from 0 to 1000000, got '{value}'" in one_line(capsys)


@pytest.mark.parametrize("command", ["vehicle check", "stall --vehicle", "vehicle new"])
def test_a_name_is_written_as_far_as_the_terminal_can(command: str, tmp_path: Path) -> None:
    run("true", tmp_path)
    name = "K\u00fcbel\udcff.toml"  # the last is a byte that is no text
    if command != "vehicle new":
        (tmp_path / "v.toml").rename(tmp_path / name)
    else:
        name = "new" + name
    done = run(f"livemon {command} {name}", tmp_path)
    assert done.returncode == 0 and done.stderr == "" and "\x1b" not in done.stdout
