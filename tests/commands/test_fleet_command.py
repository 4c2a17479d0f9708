"""`livemon fleet`: the right vehicle file for each recording, worst first, and no bad file stops the rest."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from livemon.cli import main
from livemon.commands import drive, fleet
from livemon.errors import RecordingError
from livemon.views.sentences import CAUSES


def _result(name: str | None, finding: str, none: float) -> dict[str, Any]:
    probabilities = dict.fromkeys(CAUSES, 0.0) | {"none": none, "gear_slip": 1.0 - none}
    where = {"none": "no_fault", "not_enough_evidence": "unknown"}.get(finding, "inside_transmission")
    return {
        "vehicle": {"name": name},
        "recording": {"duration_s": 600.0},
        "call": {"finding": finding, "probability": max(none, 1.0 - none), "where": where},
        "probabilities": probabilities,
    }


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> dict[str, tuple[str | None, ...]]:
    """Stands in for the judging itself, which has tests of its own; keeps what it was asked."""
    results = {
        "van7.log": _result("Van 7", "none", 0.97),
        "van7_monday.log": _result("Van 7", "gear_slip", 0.08),
        "van8.log": _result(None, "gear_slip", 0.02),
        "bus-3.log": _result("Bus 3", "none", 0.99),
        "taxi.log": _result("Taxi", "not_enough_evidence", 0.5),
    }
    asked: dict[str, tuple[str | None, ...]] = {}

    def judge(
        path: str, vehicle: str | None, *, dbc: str | None = None, j1939: bool = False
    ) -> dict[str, Any]:
        asked[Path(path).name] = (vehicle and Path(vehicle).name, dbc)
        if Path(path).name not in results:
            raise RecordingError("a recording", "something else", path, "give another file")
        return results[Path(path).name]

    monkeypatch.setattr(drive, "judge", judge)
    return asked


RECORDINGS = ["bus-3.log", "broken.log", "taxi.log", "van7.log", "van7_monday.log", "van8.log"]


def test_worst_first_and_no_bad_file_stops_the_rest(
    judged: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fleet", *RECORDINGS]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[-1] for line in lines[1:7]] == [
        "van8.log", "van7_monday.log", "van7.log", "taxi.log", "bus-3.log", "broken.log",
    ]  # fmt: skip
    assert lines[1].split()[:4] == ["1", "van8", "slip", "in"]
    assert lines[3].startswith("      Van 7")  # the same vehicle keeps its rank
    assert "98 %" in lines[1] and "inside the transmission" in lines[1] and "10 min" in lines[1]
    assert "not judged" in lines[6] and lines[7] == (
        "not judged: broken.log: expected a recording, got something else; give another file"
    )


def test_every_recording_gets_its_vehicle_file(judged: dict[str, Any], tmp_path: Path) -> None:
    for name in ("van7", "van", "bus", "bus-3", "other"):
        (tmp_path / f"{name}.toml").write_text("schema = 1\n")
    assert main(["fleet", *RECORDINGS, "--vehicles", str(tmp_path), "--dbc", "f.dbc"]) == 0
    assert judged == {
        "bus-3.log": ("bus-3.toml", "f.dbc"),
        "broken.log": (None, "f.dbc"),
        "taxi.log": (None, "f.dbc"),
        "van7.log": ("van7.toml", "f.dbc"),
        "van7_monday.log": ("van7.toml", "f.dbc"),
        "van8.log": (None, "f.dbc"),  # not that of van7, nor of "van"
    }


def test_all_results_as_json(
    judged: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "fleet.json"
    assert main(["fleet", *RECORDINGS, "--json", str(out)]) == 0
    table = capsys.readouterr().out
    assert main(["fleet", *RECORDINGS, "--json", "-"]) == 0
    captured = capsys.readouterr()
    assert json.loads(captured.out) == json.loads(out.read_text())
    assert captured.err == table
    written = json.loads(out.read_text())
    assert written[0]["recording"] == "van8.log"
    assert written[-1]["result"] is None and "something else" in written[-1]["error"]


def test_nothing_usable_is_a_failure(judged: dict[str, Any]) -> None:
    assert main(["fleet", "broken.log", "gone.log"]) == 2


def test_a_folder_without_vehicle_files_is_an_error(
    judged: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fleet", "van7.log", "--vehicles", str(tmp_path)]) == 2
    assert "--vehicles" in capsys.readouterr().err and not judged


def test_a_real_recording_and_a_missing_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = tmp_path / "van.log"
    lines = [
        f"({1000 + i * 0.1:.6f}) can0 7E8#04410C{0x0C00 + i:04X}000000\n"
        f"({1000.05 + i * 0.1:.6f}) can0 7E8#03410D00\n"
        for i in range(300)
    ]
    good.write_text("".join(lines))
    # A name too long is refused by the system in another way than one that is not there.
    assert main(["fleet", str(good), str(tmp_path / "gone.log"), "x" * 300 + ".log"]) == 0
    out = capsys.readouterr().out
    assert "van.log" in out and "not judged: " in out and "gone.log" in out
    assert "File name too long" in out
    assert "not enough evidence" in out
    assert fleet.match("van.log", {}) is None


def test_an_interruption_still_tells_what_was_judged(
    judged: dict[str, Any],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    judge = drive.judge

    def interrupted(path: str, vehicle: str | None, **options: Any) -> dict[str, Any]:
        if path == "van8.log":
            raise KeyboardInterrupt
        return judge(path, vehicle, **options)

    monkeypatch.setattr(drive, "judge", interrupted)
    out = tmp_path / "fleet.json"
    assert main(["fleet", *RECORDINGS, "--json", str(out)]) == 130
    assert "van7.log" in capsys.readouterr().out
    assert len(json.loads(out.read_text())) == 5


def test_recordings_of_one_name_in_two_folders_are_two_vehicles(
    judged: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fleet", "a/van8.log", "b/van8.log"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[:2] for line in lines[1:3]] == [["1", "a/van8"], ["2", "b/van8"]]
    assert fleet.Entry(".", None, None, "a directory").vehicle == "."


def test_a_drive_that_told_nothing_has_no_probability_of_a_fault() -> None:
    """Half of the vehicles with a complaint have one of these faults: that is no result of this drive."""
    told = _result("Taxi", "not_enough_evidence", 0.6)
    untold = _result("Taxi", "not_enough_evidence", 0.5)
    untold["probabilities"] |= dict.fromkeys(CAUSES[1:], 0.5 / (len(CAUSES) - 1))
    assert untold["probabilities"]["none"] == 0.5
    row, blank = fleet.rows([fleet.Entry("a.log", None, told), fleet.Entry("b.log", None, untold)])
    assert row[5] == "40 %" and blank[5] == "-"
