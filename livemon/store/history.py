"""The history of past checks: one SQLite file in the user's data folder, of results as JSON.

A VIN is never stored: only its maker and model part for reading, and a keyed hash to recognise the vehicle
again. The key lies in the same file, so the file is as private as the folder it lies in.
"""

from __future__ import annotations

import json
import os
import secrets
import sqlite3
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import blake2b
from pathlib import Path
from typing import Any, Final

from livemon.errors import UsageError
from livemon.vin import mask

VARIABLE: Final = "LIVEMON_HISTORY"
VERSION: Final = 1
YEARS: Final = range(1970, 2101)  # every time zone can show them
_NO_DATE: Final = datetime.fromtimestamp(0.0, UTC)
_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS secret (one INTEGER PRIMARY KEY CHECK (one = 1), bytes BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS checks (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    checked_at TEXT NOT NULL,
    vin_hash TEXT,
    vin_shown TEXT,
    vehicle TEXT,
    result TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS checks_of_vehicle ON checks (vehicle, vin_hash);
"""


@dataclass(frozen=True, slots=True)
class Check:
    """One past check. `result` is the drive's result as contracted for JSON; empty when it is damaged."""

    id: int
    checked_at: datetime
    vehicle: str | None
    vin_shown: str | None
    result: Mapping[str, Any]


def default_path() -> Path:
    """Where the history lies unless told otherwise: LIVEMON_HISTORY, else the user's data folder."""
    told = os.environ.get(VARIABLE)
    if told:
        return Path(told)
    try:
        return _data_folder() / "livemon" / "history.sqlite"
    except RuntimeError:  # a user the system has no entry for, as in a container
        do = f"set {VARIABLE} or HOME"
        raise UsageError("a home folder", "none for this user", "the history", do) from None


def _data_folder() -> Path:
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local"
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(base)


class History:
    """The past checks. Every change is one transaction: a power cut loses at most the check being written."""

    def __init__(self, path: str | Path | None = None) -> None:
        self.path = Path(path) if path is not None else default_path()

    def add(self, result: Mapping[str, Any], vin: str | None = None, when: datetime | None = None) -> int:
        """Keep one result and return its number. `when` it was driven; else it is dated now.

        One that is kept already, to the last digit, with that VIN and of that date if one is given, is the
        same drive and stays one check.
        """
        dated = when is not None
        when = (when or datetime.now(UTC)).astimezone(UTC)
        stamp = when.isoformat(timespec="seconds")
        vehicle = (result.get("vehicle") or {}).get("name")
        text = json.dumps(result, ensure_ascii=True, allow_nan=False)
        with self._open(create=True) as db:
            db.execute("INSERT OR IGNORE INTO secret VALUES (1, ?)", (secrets.token_bytes(32),))
            hashed = _hash(db, vin) if vin else None
            same = db.execute(
                "SELECT id FROM checks WHERE result = ? AND vin_hash IS ? AND (checked_at = ? OR NOT ?)",
                (text, hashed, stamp, dated),
            ).fetchone()
            if same is not None:
                return int(same[0])
            shown = mask(vin) if vin else None
            cursor = db.execute(
                "INSERT INTO checks (checked_at, vin_hash, vin_shown, vehicle, result)"
                " VALUES (?, ?, ?, ?, ?)",
                (stamp, hashed, shown, vehicle, text),
            )
            assert cursor.lastrowid is not None
            return cursor.lastrowid

    def checks(self, vehicle: str | None = None) -> list[Check]:
        """Past checks, oldest first: all, or those of the vehicle with this name or VIN."""
        columns = "SELECT id, checked_at, vehicle, vin_shown, result FROM checks"
        with self._open() as db:
            if vehicle is None:
                rows = db.execute(f"{columns} ORDER BY checked_at, id")
            else:
                # A name finds the checks under other names of the same VIN too.
                rows = db.execute(
                    f"{columns} WHERE vehicle = ?1 OR vin_hash = ?2 OR vin_hash IN"
                    " (SELECT vin_hash FROM checks WHERE vehicle = ?1) ORDER BY checked_at, id",
                    (vehicle, _hash(db, vehicle)),
                )
            return [_check(row) for row in rows]

    def check(self, number: int) -> Check:
        """One past check. Raises UsageError when there is none with that number."""
        with self._open() as db:
            row = db.execute(
                "SELECT id, checked_at, vehicle, vin_shown, result FROM checks WHERE id = ?", (str(number),)
            ).fetchone()  # as text: a number may be larger than SQLite's
        if row is None:
            raise UsageError(
                "the number of a past check", str(number), str(self.path), "see livemon history list"
            )
        return _check(row)

    def forget(self, numbers: Sequence[int]) -> int:
        """Delete checks for good; returns how many there were."""
        with self._open() as db:
            db.execute("PRAGMA secure_delete = ON")
            return sum(db.execute("DELETE FROM checks WHERE id = ?", (str(n),)).rowcount for n in numbers)

    @contextmanager
    def _open(self, create: bool = False) -> Iterator[sqlite3.Connection]:
        try:
            if create:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            target = str(self.path) if create or self.path.exists() else ":memory:"
            with closing(sqlite3.connect(target, timeout=10.0)) as db, db:
                db.text_factory = _text
                version = db.execute("PRAGMA user_version").fetchone()[0]
                if version > VERSION:
                    raise UsageError(
                        f"a history of version {VERSION} or older", f"version {version}", str(self.path),
                        "use the livemon that wrote it",
                    )  # fmt: skip
                if version < VERSION:
                    db.executescript(_SCHEMA + f"PRAGMA user_version = {VERSION};")
                yield db
        except (sqlite3.Error, OSError, ValueError) as error:
            raise UsageError(
                "a history that can be read and written",
                str(error),
                str(self.path),
                f"free it, move it away, or name another with --history or {VARIABLE}",
            ) from None


def _hash(db: sqlite3.Connection, vin: str) -> str | None:
    """The VIN under this history's own random key, so that hashes of two histories do not match."""
    row = db.execute("SELECT bytes FROM secret").fetchone()
    if row is None:
        return None
    key = row[0]
    if not isinstance(key, bytes) or not 1 <= len(key) <= blake2b.MAX_KEY_SIZE:
        raise ValueError("its key is damaged")
    return blake2b(vin.strip().upper().encode("utf-8", "replace"), key=key, digest_size=16).hexdigest()


def _text(raw: bytes) -> str:
    """Text of the file. One damaged row must not keep the others from being read."""
    return raw.decode("utf-8", "replace")


def _check(row: tuple[Any, ...]) -> Check:
    """One row, whatever stands in it: a file that somebody else wrote may hold any type anywhere."""
    number, checked_at, vehicle, vin_shown, text = row
    try:
        when = datetime.fromisoformat(checked_at).astimezone(UTC)
    except (ValueError, TypeError, OverflowError):
        when = _NO_DATE
    try:
        result = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        result = {}
    return Check(
        number if isinstance(number, int) else 0,
        when if when.year in YEARS else _NO_DATE,
        _words(vehicle),
        _words(vin_shown),
        result,
    )


def _words(value: object) -> str | None:
    if isinstance(value, bytes):
        return _text(value)
    return value if isinstance(value, str) else None
