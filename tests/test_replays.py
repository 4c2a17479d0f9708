"""Every recording in replays/ ends in its expected call and can be made again; the DBC demo runs."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from livemon.cli import main
from livemon.simulate import record

ROOT = Path(__file__).parent.parent
RECORDINGS = sorted((ROOT / "replays").glob("*.log"))
DBC_DEMO = ROOT / "dbc_demo"
MOST_BYTES = 300_000


def call_of(recording: Path, out: Path, *more: str) -> str:
    vehicle = recording.with_suffix(".toml")
    assert main(["replay", str(recording), "--vehicle", str(vehicle), "--json", str(out), *more]) == 0
    finding = json.loads(out.read_text(encoding="utf-8"))["call"]["finding"]
    assert isinstance(finding, str)
    return finding


def expected_of(recording: Path) -> dict[str, str]:
    text = recording.with_suffix(".expected.json").read_text(encoding="utf-8")
    parsed = json.loads(text)
    return {"finding": parsed["call"]["finding"], "command": parsed["command"]}


def test_the_recordings_cover_what_the_readme_says() -> None:
    assert len(RECORDINGS) >= 8
    readme = (ROOT / "replays" / "README.md").read_text(encoding="utf-8")
    for recording in RECORDINGS:
        assert f"| `{recording.stem}` |" in readme
        assert f"| `{expected_of(recording)['finding']}` |" in readme
        assert recording.stat().st_size <= MOST_BYTES


@pytest.mark.parametrize("recording", RECORDINGS, ids=lambda path: path.stem)
def test_a_recording_ends_in_its_call(recording: Path, tmp_path: Path) -> None:
    assert call_of(recording, tmp_path / "result.json") == expected_of(recording)["finding"]


@pytest.mark.parametrize("recording", [RECORDINGS[2], DBC_DEMO / "heron.log"], ids=lambda path: path.stem)
def test_a_recording_can_be_made_again_byte_for_byte(recording: Path, tmp_path: Path) -> None:
    words = shlex.split(expected_of(recording)["command"])
    assert words[:3] == ["python", "-m", "livemon.simulate.record"]
    folder = tmp_path / recording.parent.name
    folder.mkdir()
    assert words[3] == f"{folder.name}/{recording.stem}"
    assert record.main([str(tmp_path / words[3]), *words[4:]]) == 0
    for suffix in (".log", ".toml", ".expected.json"):
        made = (folder / recording.name).with_suffix(suffix).read_bytes()
        assert made == recording.with_suffix(suffix).read_bytes(), suffix


def test_broadcast_frames_end_in_their_call(tmp_path: Path) -> None:
    recording = DBC_DEMO / "heron.log"
    found = call_of(recording, tmp_path / "result.json", "--dbc", str(DBC_DEMO / "heron.dbc"))
    assert found == expected_of(recording)["finding"]


def test_the_demo_script_prints_a_call() -> None:
    done = subprocess.run(
        [sys.executable, str(DBC_DEMO / "demo.py")], capture_output=True, text=True, timeout=60, check=True
    )
    assert "CALL" in done.stdout
    assert done.stderr == ""


def test_a_folder_that_is_not_there_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert record.main([str(tmp_path / "no" / "such"), "--seconds", "1"]) == 2
    assert capsys.readouterr().err.count("\n") == 1
