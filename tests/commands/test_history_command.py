"""`livemon history` from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from livemon.cli import main
from livemon.store.history import History
from livemon.views import example, result


@pytest.fixture(autouse=True)
def _own_history(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LIVEMON_HISTORY", str(tmp_path / "history.sqlite"))


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    path = tmp_path / "r.json"
    result.write(result.build(example.drive()), path)
    assert main(["history", "add", str(path), "--vin", "ABC1234567890XYZ9"]) == 0
    return path


def test_nothing_yet(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history"]) == 0
    assert "no past checks" in capsys.readouterr().out


def test_list_show_and_forget(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", "list"]) == 0
    listed = capsys.readouterr().out
    assert "Works van 7 ABC12345*********" in listed and "stator not holding" in listed and "93 %" in listed
    assert "XYZ9" not in listed
    assert main(["history", "show", "1"]) == 0
    assert "THE CALL: The stator's one-way clutch does not hold" in capsys.readouterr().out
    assert main(["history", "forget", "1"]) == 0
    assert "1 of 1 deleted" in capsys.readouterr().out
    assert main(["history", "show", "1"]) == 2
    assert main(["history", "forget", "1"]) == 2


def test_compare_by_vin(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", "add", str(kept), "--vin", "abc1234567890xyz9", "--driven", "2026-01-05"]) == 0
    assert main(["history", "compare", "ABC1234567890XYZ9"]) == 0
    out = capsys.readouterr().out
    assert "K of expected" in out and out.count("84 % (77 to 90)") == 2
    assert "The capacity factor K at launch has not clearly changed (+0 %, -11 to +12)." in out


def test_a_vehicle_that_is_not_there(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", "compare", "van 8"]) == 2
    assert "van 8" in capsys.readouterr().err


@pytest.mark.parametrize(
    "content",
    [
        "",
        "[]",
        "{}",
        "null",
        '{"schema": 1}',
        '{"schema": 1, "vehicle": {"name": 3}, "call": {}, "recording": {}}',
        json.dumps(result.build(example.drive()) | {"more": float("nan")}),
    ],
)
def test_a_file_that_is_no_result(tmp_path: Path, content: str, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.json"
    path.write_text(content)
    assert main(["history", "add", str(path)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_result_of_an_odd_shape_does_not_break_the_list(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    odd = result.build(example.drive())
    odd["launches"], odd["lockup"] = [], {}
    path = tmp_path / "odd.json"
    path.write_text(json.dumps(odd))
    assert main(["history", "add", str(path)]) == 0
    assert main(["history", "compare", "Works van 7"]) == 0
    assert "One check only" in capsys.readouterr().out


@pytest.mark.parametrize("number", ["99999999999999999999", "-99999999999999999999", "2"])
def test_a_number_of_any_size_is_looked_up(
    kept: Path, number: str, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert main(["history", "show", "--", number]) == 2
    assert "the number of a past check" in capsys.readouterr().err
    assert main(["history", "forget", "1", "--", number]) == 0
    assert "1 of 2 deleted" in capsys.readouterr().out


@pytest.mark.parametrize(
    "change",
    [
        {"call": {"finding": "none", "probability": 0.5}},
        {"launches": None},
        {"launches": [3]},
        {"launches": [{"r_k": 1e30, "r_k_sd": 0.1}]},
        {"launches": [{"r_k": 0.1, "r_k_sd": 1e-300}]},
        {"launches": [{"r_t": 0.1, "r_t_sd": 1e300}]},
        {"lockup": {"mean_slip_rpm": 10**400}},
        {"lockup": "open"},
        {"call": {"because": "because"}},
        {"call": {"against": [1]}},
        {"call": {"where": "moon"}},
        {"call": {"more": 1}},
        {"vehicle": {"name": None, "assumed": [1]}},
        {"vehicle": {"name": None, "assumed": "mass"}},
    ],
)
def test_a_thin_or_edited_result_is_refused_and_one_already_kept_is_named(
    tmp_path: Path, change: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    odd = result.build(example.drive())
    for key, value in change.items():
        whole = key == "call" and len(value) == 1
        odd[key] = odd[key] | value if whole else value
    path = tmp_path / "odd.json"
    path.write_text(json.dumps(odd))
    assert main(["history", "add", str(path)]) == 2
    History().add(odd)
    for command in (["show", "1"], ["compare", "Works van 7"]):
        assert main(["history", *command]) == 2
        assert capsys.readouterr().err.count("\n") == 2 if command[0] == "show" else 1
    assert main(["history"]) == 0
    assert "not readable" in capsys.readouterr().out


def test_the_history_may_be_named_before_or_after_the_action(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = str(tmp_path / "other.sqlite")
    for command in (
        ["--history", other],
        ["--history", other, "list"],
        ["list", "--history", other],
        ["--history", "x", "list", "--history", other],
    ):
        capsys.readouterr()
        assert main(["history", *command]) == 0
        assert f"no past checks in {other}" in capsys.readouterr().out


@pytest.mark.parametrize("day", ["0001-01-01", "1969-01-01", "2101-02-01", "9999-12-31"])
def test_a_date_that_no_drive_has_is_refused(
    kept: Path, day: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["history", "add", str(kept), "--driven", day]) == 2
    assert "2026-05-03" in (err := capsys.readouterr().err) or "from 1970 to 2100" in err
    assert err.count("\n") == 1
