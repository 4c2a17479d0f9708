"""The history: kept safely, found again by name or VIN, and no VIN in the file."""

from __future__ import annotations

import multiprocessing
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from livemon.errors import UsageError
from livemon.store.history import VARIABLE, History, default_path

VIN = "ABC1234567890XYZ9"
WHEN = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def _result(name: str | None = "Works van 7", finding: str = "none") -> dict[str, Any]:
    return {"schema": 1, "vehicle": {"name": name}, "call": {"finding": finding, "probability": 0.9}}


@pytest.fixture
def history(tmp_path: Path) -> History:
    return History(tmp_path / "deep" / "history.sqlite")


def test_what_is_kept_comes_back(history: History) -> None:
    number = history.add(_result(), VIN, WHEN)
    check = history.check(number)
    assert check.result == _result()
    assert check.checked_at == WHEN and check.vehicle == "Works van 7"
    assert check.vin_shown == "ABC12345*********"


def test_checks_come_oldest_first_whatever_the_order_they_were_kept_in(history: History) -> None:
    late = history.add(_result(), None, WHEN)
    early = history.add(_result(), None, WHEN - timedelta(days=30))
    assert [c.id for c in history.checks()] == [early, late]


def test_the_same_drive_kept_twice_is_one_check(history: History) -> None:
    kept = history.add(_result(), VIN, WHEN)
    assert history.add(_result(), VIN, WHEN) == kept
    assert history.add(_result(), VIN) == kept  # read in again from its file, later
    assert len(history.checks()) == 1
    others = [
        history.add(_result(), None, WHEN),
        history.add(_result(), VIN, WHEN + timedelta(days=1)),
        history.add(_result(finding="gear_slip"), VIN, WHEN),
    ]
    assert len({kept, *others}) == len(history.checks()) == 4


def test_a_check_nobody_dates_is_of_today(history: History) -> None:
    kept = history.add(_result())
    assert datetime.now(UTC) - history.check(kept).checked_at < timedelta(minutes=1)


def test_a_vehicle_is_found_by_name_or_by_vin_whatever_it_is_called(history: History) -> None:
    first = history.add(_result("Works van 7"), VIN, WHEN)
    second = history.add(_result("van seven"), VIN.lower(), WHEN + timedelta(days=1))
    history.add(_result("another"), "XYZ9876543210ABC1", WHEN)
    history.add(_result(None), None, WHEN)
    for name in ("Works van 7", "van seven", VIN):
        assert [c.id for c in history.checks(name)] == [first, second]
    assert history.checks("no such vehicle") == []
    assert len(history.checks()) == 4


def test_no_vin_is_in_the_file(history: History) -> None:
    history.add(_result(), VIN, WHEN)
    raw = history.path.read_bytes()
    assert VIN.encode() not in raw and VIN[8:].encode() not in raw


def test_the_same_vin_hashes_differently_in_two_histories(tmp_path: Path) -> None:
    hashes = []
    for name in ("a", "b"):
        history = History(tmp_path / name)
        history.add(_result(), VIN, WHEN)
        with sqlite3.connect(history.path) as db:
            hashes.append(db.execute("SELECT vin_hash FROM checks").fetchone()[0])
        db.close()
    assert hashes[0] != hashes[1] and all(len(h) == 32 for h in hashes)


def test_reading_an_empty_history_makes_no_file(history: History) -> None:
    assert history.checks() == [] and history.checks("x") == []
    assert not history.path.exists() and not history.path.parent.exists()


def test_forgetting_is_for_good(history: History) -> None:
    number = history.add(_result("Secret name"), None, WHEN)
    assert history.forget([number, 999]) == 1
    assert history.checks() == []
    assert b"Secret name" not in history.path.read_bytes()


def test_a_check_that_is_not_there(history: History) -> None:
    history.add(_result(), None, WHEN)
    with pytest.raises(UsageError, match="42"):
        history.check(42)


@pytest.mark.parametrize(
    "content", [b"this is no database at all " * 100, b"SQLite format 3\0" + b"\xff" * 5000]
)
def test_a_damaged_file_is_a_one_line_error_and_stays_as_it_is(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "history.sqlite"
    path.write_bytes(content)
    with pytest.raises(UsageError, match=VARIABLE) as error:
        History(path).checks()
    assert "\n" not in str(error.value)
    with pytest.raises(UsageError, match=VARIABLE):
        History(path).add(_result(), VIN)
    assert path.read_bytes() == content


def test_a_place_that_cannot_be_written_is_a_one_line_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="--history"):
        History(tmp_path / "file" / "history.sqlite").add(_result())


def test_a_history_of_a_newer_livemon_is_left_alone(history: History) -> None:
    history.add(_result(), None, WHEN)
    with sqlite3.connect(history.path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(UsageError, match="version 99"):
        history.checks()


def test_where_it_lies(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "mine"))
    assert default_path() == History().path == tmp_path / "mine"
    assert History(tmp_path / "other").path == tmp_path / "other"
    monkeypatch.delenv(VARIABLE)
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert default_path() == tmp_path / "data" / "livemon" / "history.sqlite"


def test_a_user_without_a_home_is_told_what_to_set(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody() -> Path:
        raise RuntimeError("Could not determine home directory.")

    for variable in (VARIABLE, "XDG_DATA_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr(Path, "home", nobody)
    with pytest.raises(UsageError, match=f"expected a home folder, got none.*; set {VARIABLE} or HOME"):
        History()


def test_a_process_killed_while_writing_loses_nothing_that_was_kept(history: History) -> None:
    history.add(_result(), None, WHEN)
    program = (
        "import sys, os\n"
        "from livemon.store.history import History\n"
        "h = History(sys.argv[1])\n"
        "n = os.getpid() << 32\n"
        "while True: print(h.add({'vehicle': {'name': 'x' * 5000}, 'n': (n := n + 1)}), flush=True)\n"
    )
    for _ in range(3):
        process = subprocess.Popen([sys.executable, "-c", program, str(history.path)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        kept = [int(process.stdout.readline()) for _ in range(5)]
        process.kill()
        process.stdout.close()
        process.wait()
        assert set(kept) <= {c.id for c in history.checks()}


def _keep_ten(path: str, name: str) -> None:
    for n in range(10):
        History(path).add(_result(f"{name} {n}"))


def test_two_processes_at_once_lose_nothing(history: History) -> None:
    writers = [multiprocessing.Process(target=_keep_ten, args=(str(history.path), name)) for name in "ab"]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
        assert writer.exitcode == 0
    assert len(history.checks()) == 20


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("result", '{"schema": 1, "veh'),
        ("result", "[" * 100_000),
        ("result", None),
        ("result", b"\xff\xfe"),
        ("checked_at", "yesterday"),
        ("checked_at", "0001-01-01T00:00:00+00:00"),
        ("checked_at", "9999-12-31T23:59:59+00:00"),
        ("checked_at", b"2026"),
        ("vin_shown", b"ABC\xff"),
        ("vehicle", 7),
    ],
)
def test_a_damaged_row_spoils_no_other(history: History, column: str, value: object) -> None:
    history.add(_result(), None, WHEN)
    history.add(_result(), VIN, WHEN)
    with sqlite3.connect(history.path) as db:
        db.execute("ALTER TABLE checks RENAME TO old")
        db.execute("CREATE TABLE checks AS SELECT * FROM old")  # without the columns' constraints
        db.execute(f"UPDATE checks SET {column} = ? WHERE id = 1", (value,))
    db.close()
    by_number = {check.id: check for check in history.checks()}
    assert by_number[2].result == _result() and by_number[2].checked_at == WHEN
    assert by_number[1] == history.check(1)
    assert by_number[1].result == ({} if column == "result" else _result())
    assert by_number[1].checked_at == WHEN or by_number[1].checked_at.year == 1970
    assert all(isinstance(name, str | None) for name in (by_number[1].vehicle, by_number[1].vin_shown))


@pytest.mark.parametrize("key", ["abc", b"", b"x" * 100, 5])
def test_a_damaged_key_is_a_one_line_error(history: History, key: object) -> None:
    history.add(_result(), VIN, WHEN)
    with sqlite3.connect(history.path) as db:
        db.execute("UPDATE secret SET bytes = ?", (key,))
    db.close()
    with pytest.raises(UsageError, match="its key is damaged"):
        history.checks(VIN)
    assert len(history.checks()) == 1


def test_text_that_is_no_utf8_spoils_no_other_row(history: History) -> None:
    history.add(_result("first"), None, WHEN)
    history.add(_result("second"), None, WHEN)
    with sqlite3.connect(history.path) as db:
        db.execute("UPDATE checks SET vehicle = CAST(x'ff41' AS TEXT) WHERE id = 1")
    db.close()
    assert [check.vehicle for check in history.checks()] == ["\ufffdA", "second"]
