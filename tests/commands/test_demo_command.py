"""`livemon demo` from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from livemon.cli import main
from livemon.simulate.scenario import FAULTS


def test_help_names_every_fault(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["demo", "--help"])
    said = capsys.readouterr().out.split("--seed N", 2)[-2]
    assert all(fault in said for fault in FAULTS)


def test_a_lost_stator_is_warned_of_in_the_first_launch(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first command of the README."""
    out = tmp_path / "r.json"
    command = "demo --fault stator_not_holding --seconds 14 --pace 0 --no-screen --json"
    assert main([*command.split(), str(out)]) == 0
    warned = next(line for line in capsys.readouterr().out.splitlines() if "WARNING: stator" in line)
    minutes, seconds = warned.split()[0].split(":")
    launch = json.loads(out.read_text(encoding="utf-8"))["launches"][0]
    assert launch["start_s"] < 60 * int(minutes) + int(seconds) <= launch["end_s"]
