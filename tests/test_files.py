"""A file is written whole or the earlier one stays."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from livemon.cli import main
from livemon.commands.survey import _write_json
from livemon.commands.survey_text import Found
from livemon.errors import RecordingError, UsageError
from livemon.files import write_whole
from livemon.sources.dbc import DbcDecoder
from livemon.vehicle import Vehicle
from livemon.vehicle_file import dump
from livemon.views import example, report, result

WRITERS = {
    "whole": lambda path: write_whole(path, "new"),
    "result": lambda path: result.write({}, path),
    "report": lambda path: report.write(path, replace(example.drive(), curves=None, slip=[], shakes=[])),
    "survey": lambda path: _write_json(Found("port"), str(path), False),
    "vehicle": lambda path: dump(Vehicle(), path, ["# note"]),
}


@pytest.mark.parametrize("name", WRITERS)
def test_a_disk_that_is_full_costs_no_earlier_file(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "out"
    path.write_text("old")
    path.chmod(0o640)

    def full(file: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(UsageError, match="No space left"):
            WRITERS[name](path)
    assert path.read_text() == "old"
    WRITERS[name](path)
    assert path.read_text() != "old" and path.stat().st_mode & 0o777 == 0o640
    assert list(tmp_path.iterdir()) == [path]


def test_an_interruption_leaves_nothing_beside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(file: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "new", "x")
    assert not list(tmp_path.iterdir())


def test_a_link_a_pipe_and_a_device_are_written_directly(tmp_path: Path) -> None:
    target, link, pipe = (tmp_path / name for name in ("target", "link", "pipe"))
    target.write_text("old")
    link.symlink_to(target)
    write_whole(link, "new")
    assert link.is_symlink() and target.read_text() == "new"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_whole(pipe, "through")
    assert os.read(reader, 100) == b"through" and pipe.is_fifo()
    os.close(reader)
    write_whole("/dev/null", "gone")
    assert Path("/dev/null").is_char_device()


def test_where_the_folder_takes_no_new_file_the_old_one_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "out"
    path.write_text("old")

    def refused(self: Path, target: Path) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "replace", refused)
    write_whole(path, "new")
    assert path.read_text() == "new" and list(tmp_path.iterdir()) == [path]
    with pytest.raises(UsageError, match="not permitted"):
        write_whole(tmp_path / "other", "new")


@pytest.mark.parametrize(
    "command", ["vehicle check {}", "stall --vehicle {}", "history add {}", "replay d.log --vehicle {}"]
)
def test_a_file_without_an_end_is_refused(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    huge = tmp_path / "huge"
    with huge.open("wb") as file:
        file.truncate(6 << 30)
    for path in ("/dev/zero", str(huge)):
        assert main(command.format(path).split()) == 2
        err = capsys.readouterr().err
        assert "MB, got a larger one" in err and err.count("\n") == 1


def test_a_dbc_without_an_end_is_refused(tmp_path: Path) -> None:
    huge = tmp_path / "huge.dbc"
    with huge.open("wb") as file:
        file.truncate(6 << 30)
    with pytest.raises(RecordingError, match="at most 8 MB, got a larger one"):
        DbcDecoder(huge)
