"""Outputs: no command destroys what it was given to read, and no failure of one loses the others."""

from __future__ import annotations

import os
import signal
from argparse import Namespace
from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pytest

from livemon.cli import main
from livemon.commands import drive, outputs
from livemon.errors import LinkError
from livemon.obd.decode import Decoder
from livemon.run import Run
from livemon.sources.recording import open_recording
from livemon.vehicle import Vehicle
from livemon.views.plain import Plain
from livemon.views.snapshot import Drive

RECORDING = "(1600000000.000000) can0 7DF#02010C0000000000\n(1600000000.012000) can0 7E8#04410C0C08000000\n"
VEHICLE = "[converter]\nstall_torque_ratio = 2.0\n"


@pytest.fixture(autouse=True)
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("d.log").write_text(RECORDING)
    Path("v.toml").write_text(VEHICLE)
    Path("link.log").symlink_to("d.log")
    Path("twin.log").hardlink_to("d.log")
    return tmp_path


def test_a_fault_of_our_own_loses_no_result(monkeypatch: pytest.MonkeyPatch) -> None:
    """Something breaks half way that nobody thought of: what was seen is written all the same."""

    def breaks(run: Run, *_: object, **__: object) -> None:
        for frame in open_recording("d.log"):
            run.feed(frame)
        raise ZeroDivisionError

    monkeypatch.setattr(drive, "replay_recording", breaks)
    with pytest.raises(ZeroDivisionError):
        main(["replay", "d.log", "--no-screen", "--json", "j.json", "--trace", "t.csv"])
    assert "not_enough_evidence" in Path("j.json").read_text() and Path("t.csv").exists()


@pytest.mark.parametrize(
    "command",
    [
        "replay d.log --json d.log",
        "replay d.log --trace d.log",
        "replay d.log --report ./d.log",
        "replay link.log --trace d.log",
        "replay d.log --json twin.log",
        "replay d.log --vehicle v.toml --json v.toml",
        "fleet d.log --dbc v.toml --json v.toml",
        "replay d.log --json x --trace x",
        "replay d.log --trace x --report x",
        "demo --json x --report x",
        "stall --vehicle v.toml --curve v.toml",
        "stall --vehicle d.log --engine v.toml --curve v.toml",
        "fleet d.log --json d.log",
        "fleet d.log --vehicles . --json v.toml",
        "vehicle learn d.log --vehicle v.toml --out d.log",
        "vehicle learn d.log --vehicle v.toml --out v.toml",
        "watch --interface virtual --vehicle v.toml --record v.toml",
        "watch --interface virtual --record x --json x",
        "watch --interface virtual --record .",
        "survey --interface virtual --vehicle v.toml --json v.toml",
        "replay d.log --trace -",
        "replay d.log --report -",
        "stall --vehicle v.toml --curve -",
    ],
)
def test_an_output_that_would_do_harm_is_refused_before_anything_is_opened(
    command: str, files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path.name: path.read_text() for path in files.iterdir()}
    assert main(command.split()) == 2
    captured = capsys.readouterr()
    assert captured.err.count("\n") == 1 and "--" in captured.err and captured.out == ""
    assert {path.name: path.read_text() for path in files.iterdir()} == before


def test_outputs_may_share_a_device() -> None:
    assert main(["replay", "d.log", "--json", "/dev/null", "--trace", "/dev/null"]) == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_an_output_that_fails_loses_none_of_the_others(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("livemon.views.report.write", lambda path, drive: Path(path).touch())
    assert main(["replay", "d.log", "--json", "/dev/full", "--report", "a.html"]) == 2
    captured = capsys.readouterr()
    assert Path("a.html").exists() and "THE CALL" in captured.out
    assert captured.err.count("\n") == 1 and "/dev/full" in captured.err
    assert main(["fleet", "d.log", "--json", "/dev/full"]) == 2
    assert "d.log" in capsys.readouterr().out


def test_a_drive_nobody_answered_in_is_not_kept_as_a_check(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LIVEMON_HISTORY", "h.sqlite")
    args = Namespace(trace=None, json="r.json", report=None)

    def silence(run: Run, stop: drive.Stop) -> None:
        pass

    assert drive.carry_out(args, "port", Decoder(), Vehicle(), silence, Plain(), remember=True) == 0
    assert Path("r.json").exists() and not Path("h.sqlite").exists()


def test_a_drive_that_an_output_ends_is_still_judged_and_written() -> None:
    args = Namespace(trace=None, json="r.json", report=None)

    def carry(run: Run, stop: drive.Stop) -> None:
        drive.replay_recording(run, "d.log", pace=0.0, stop=stop)
        raise OSError(5, "Input/output error")

    with pytest.raises(OSError, match="Input/output error"):
        drive.carry_out(args, "port", Decoder(), Vehicle(), carry, Plain())
    assert Path("r.json").exists()


def test_ctrl_c_while_the_report_is_made_loses_the_report_alone(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pressed once to end the drive and again while it writes; a first one while it writes loses nothing."""
    monkeypatch.setenv("LIVEMON_HISTORY", "h.sqlite")
    presses = 2

    def slow(path: str, summary: Drive) -> None:
        for _ in range(presses):
            os.kill(os.getpid(), signal.SIGINT)
        Path(path).touch()

    monkeypatch.setattr("livemon.views.report.write", slow)
    args = Namespace(trace=None, json="r.json", report="r.html")

    def carry(run: Run, stop: drive.Stop) -> None:
        drive.replay_recording(run, "d.log", pace=0.0, stop=stop)

    with pytest.raises(KeyboardInterrupt):
        drive.carry_out(args, "port", Decoder(), Vehicle(), carry, Plain(), remember=True)
    assert Path("r.json").exists() and Path("h.sqlite").exists() and not Path("r.html").exists()
    assert capsys.readouterr().err == "livemon: interrupted: --report was not written\n"
    presses = 1
    assert drive.carry_out(args, "port", Decoder(), Vehicle(), carry, Plain()) == 130
    assert Path("r.html").exists()


def test_ctrl_c_gives_up_one_output_and_failures_are_still_said(capsys: pytest.CaptureFixture[str]) -> None:
    def interrupted() -> None:
        raise KeyboardInterrupt

    def full() -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(KeyboardInterrupt):
        outputs.write_all({"--trace": interrupted, "--json": full, "--report": Path("r.html").touch})
    assert Path("r.html").exists()
    assert "--trace was not written" in (err := capsys.readouterr().err) and "No space left" in err


class Gone(StringIO):
    """Standard error of a terminal that has been closed."""

    def write(self, text: str) -> int:
        raise OSError(5, "Input/output error")


def test_outputs_are_written_though_standard_error_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> None:
        raise OSError(28, "No space left on device")

    def interrupted() -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("sys.stderr", Gone())
    with pytest.raises(KeyboardInterrupt):
        outputs.write_all({"a": full, "b": interrupted, "c": Path("c").touch})
    assert Path("c").exists()


def test_a_survey_goes_on_though_standard_error_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    """What it says while it waits is for whoever watches."""
    asked: list[object] = []

    def open_link(args: object, clock: object, say: Callable[[str], None], *_: object) -> object:
        say("port: waiting for the adapter")
        asked.append(args)
        raise LinkError("an adapter", "silence", "port", "check it")

    monkeypatch.setattr("livemon.commands.link.open_link", open_link)
    monkeypatch.setattr("sys.stderr", Gone())
    assert main(["survey", "--serial", "port"]) == 3
    assert asked


def test_counters_of_one_name_add_up() -> None:
    run = Run("port", Decoder(), Vehicle())
    run.link_counters = {"clock_steps": 2, "late": 0}
    run.estimator.counters["clock_steps"] = 3
    assert run.counters() == {"clock_steps": 5}


def test_a_system_without_hang_ups_is_listened_to_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(signal, "SIGHUP")
    stop = drive.Stop()
    with stop.listening():
        os.kill(os.getpid(), signal.SIGTERM)
    assert stop.asked and not stop.interrupted


@pytest.mark.parametrize(("place", "told"), [("a.json", "out"), ("-", "err")])
def test_where_the_report_is_stands_last(
    place: str, told: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("livemon.views.report.write", lambda path, drive: Path(path).touch())
    assert main(["replay", "d.log", "--json", place, "--report", "a.html"]) == 0
    assert getattr(capsys.readouterr(), told).splitlines()[-1] == "Report: a.html"


@pytest.mark.parametrize(("first_s", "driven"), [("1600", "2020-09-13"), ("0000", None)])
def test_a_drive_is_dated_by_its_own_stamps(
    first_s: str, driven: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[Drive] = []
    monkeypatch.setattr("livemon.views.report.write", lambda path, drive: told.append(drive))
    Path("d.log").write_text(RECORDING.replace("(1600", f"({first_s}"))
    assert main(["replay", "d.log", "--report", "a.html"]) == 0
    assert (told[0].driven and f"{told[0].driven:%Y-%m-%d}") == driven
