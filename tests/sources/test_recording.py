"""Recordings by suffix: every format python-can writes, read back the same; every failure one named error."""

from __future__ import annotations

import gc
import gzip
import os
import random
import sqlite3
import threading
from codecs import BOM_UTF8
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

import can
import pytest

from livemon.errors import RecordingError
from livemon.sources.candump import Candump
from livemon.sources.recording import OtherFormat, open_recording


def messages() -> list[can.Message]:
    rng = random.Random(3)
    return [
        can.Message(
            timestamp=1700000000.0 + 0.01 * n,
            arbitration_id=rng.choice((0x7E8, 0x7DF, 0x316)) if n % 3 else 0x18DAF110,
            is_extended_id=n % 3 == 0,
            data=rng.randbytes(rng.randrange(1, 9)),
            channel=0,
        )
        for n in range(60)
    ]


def write(path: Path, sent: Iterable[can.Message]) -> None:
    with can.Logger(path) as writer:
        for message in sent:
            writer.on_message_received(message)


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".db", ".trc", ".log", ".asc.gz", ".log.gz"])
def test_formats(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"drive{suffix}"
    sent = messages()
    write(path, sent)
    recording = open_recording(path)
    assert isinstance(recording, Candump if ".log" in suffix else OtherFormat)
    frames = list(recording)
    assert recording.frames == len(frames) == 60
    assert recording.duration_s == pytest.approx(0.59, abs=1e-3)
    for frame, message in zip(frames, sent, strict=True):
        assert (frame.can_id, frame.extended) == (message.arbitration_id, message.is_extended_id)
        assert frame.data == bytes(message.data)
        assert frame.time_s == pytest.approx(message.timestamp - 1700000000.0, abs=1e-3)
    wanted = list(open_recording(path, frozenset({(0x18DAF110, True)})))
    assert len(wanted) == 20
    assert wanted[1].time_s == pytest.approx(0.03, abs=1e-3)


def test_other_kinds_of_frame_are_dropped_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "drive.asc"
    with can.Logger(path) as writer:
        for message in messages()[:3]:
            writer.on_message_received(message)
        writer.on_message_received(can.Message(timestamp=1700000001.0, is_error_frame=True, channel=0))
        writer.on_message_received(
            can.Message(timestamp=1700000001.1, arbitration_id=1, is_remote_frame=True, dlc=2, channel=0)
        )
    recording = open_recording(path)
    assert len(list(recording)) == 3
    assert recording.counters == {"error_frames": 1, "remote_frames": 1}


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".db", ".mf4", ".trc"])
@pytest.mark.parametrize("content", [b"", b"hello\n", bytes(300), b"\xff\xfe\xfd" * 100])
def test_hostile_files_end_in_a_named_error(tmp_path: Path, suffix: str, content: bytes) -> None:
    path = tmp_path / f"drive{suffix}"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=f"drive{suffix}") as caught:
        list(open_recording(path))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("suffix", [".asc", ".asc.gz", ".blf", ".blf.gz", ".csv", ".db", ".trc"])
@pytest.mark.parametrize("content", [b"", b"hello\n", bytes(300), b"\xff\xfe\xfd" * 100])
def test_a_refused_file_is_closed(tmp_path: Path, suffix: str, content: bytes) -> None:
    """One left open says so when it goes, which may be in the middle of another recording of a fleet."""
    path = tmp_path / f"drive{suffix}"
    path.write_bytes(gzip.compress(content) if suffix.endswith(".gz") else content)
    with pytest.raises(RecordingError):
        list(open_recording(path))
    gc.collect()


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".trc"])
def test_cut_files_give_what_is_whole(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"drive{suffix}"
    write(path, messages() * 40)
    whole = path.read_bytes()
    for share in (0.3, 0.7, 0.95):
        path.write_bytes(whole[: int(share * len(whole))])
        try:
            frames = list(open_recording(path))
        except RecordingError:
            continue
        assert len(frames) <= 2400
        assert all(len(frame.data) <= 8 for frame in frames)


@pytest.mark.parametrize("suffix", [".asc", ".csv", ".trc"])
def test_a_line_cut_anywhere_is_left_out_and_told(tmp_path: Path, suffix: str) -> None:
    """Half a byte of data would be read as a whole one: 1A 0B cut to 1A 0 is another engine speed."""
    path = tmp_path / f"drive{suffix}"
    write(path, messages())
    whole = path.read_bytes()
    end = whole.rindex(b"\n", 0, len(whole) * 2 // 3)
    begin = whole.rindex(b"\n", 0, end) + 1
    path.write_bytes(whole[:begin])
    before = list(open_recording(path))
    first = begin + len(whole[begin:end]) - len(whole[begin:end].lstrip()) + 1
    for cut in range(first, end):
        path.write_bytes(whole[:cut])
        recording = open_recording(path)
        assert list(recording) == before
        assert recording.counters["cut_last_line"] == 1
        assert "cut" in recording.notices[-1]


def test_a_cut_binary_recording_says_so(tmp_path: Path) -> None:
    path = tmp_path / "drive.blf"
    write(path, messages() * 4000)
    whole = path.read_bytes()
    recording = open_recording(path)
    frames = len(list(recording))
    assert not recording.notices and not recording.counters["cut_recording"]
    path.write_bytes(whole[: 2 * len(whole) // 3])
    recording = open_recording(path)
    assert 0 < len(list(recording)) < frames
    assert recording.counters["cut_recording"] == 1 and f"of {len(whole)} bytes" in recording.notices[0]


@pytest.mark.parametrize("suffix", [".asc", ".csv", ".trc"])
def test_a_byte_order_mark_costs_nothing(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"drive{suffix}"
    write(path, messages())
    frames = list(open_recording(path))
    path.write_bytes(BOM_UTF8 + path.read_bytes())
    assert frames and list(open_recording(path)) == frames


def test_paths_and_suffixes(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no such file"):
        open_recording(tmp_path / "none.log")
    with pytest.raises(RecordingError, match="a directory"):
        open_recording(tmp_path)
    (tmp_path / "drive.pdf").write_text("x")
    with pytest.raises(RecordingError, match=r"'\.pdf'"):
        open_recording(tmp_path / "drive.pdf")


def test_a_pipe_is_read_like_a_file(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    writer = threading.Thread(
        target=path.write_text, args=("(1.0) can0 7E8#03410D32\n(1.5) can0 7E8#03410D33\n",)
    )
    writer.start()
    assert [frame.time_s for frame in open_recording(path)] == [0.0, 0.5]
    writer.join()


TEXT_LINES = {
    ".asc": "  {n:.6f} 1  7E8             Rx   d 4 03 41 0D 32\n",
    ".csv": "{n:.6f},0x7e8,0,0,0,4,A0ENMg==\n",
}
HEADER = {
    ".asc": "date Mon Jan 1 10:00:00.000 am 2024\nbase hex  timestamps absolute\ninternal events logged\n",
    ".csv": "header\n",
}


@pytest.mark.parametrize("suffix", [".asc", ".csv", ".asc.gz"])
def test_a_damaged_line_of_a_text_format_costs_that_line(tmp_path: Path, suffix: str) -> None:
    kind = suffix.removesuffix(".gz")
    lines = [TEXT_LINES[kind].format(n=0.1 * n).encode() for n in range(300)]
    lines[100] = lines[100][:-6] + b"\xff" + lines[100][-5:]
    lines[200] = lines[200].replace(b"03 41", b"0_ 41").replace(b"0x7e8", b"0xz")
    path = tmp_path / f"drive{suffix}"
    content = HEADER[kind].encode() + b"".join(lines)
    path.write_bytes(gzip.compress(content) if suffix != kind else content)
    recording = open_recording(path)
    frames = list(recording)
    assert len(frames) == 298 and frames[-1].time_s == pytest.approx(29.9)
    assert recording.counters == {"damaged_lines": 2} and len(recording.notices) == 1


def test_a_line_python_can_only_logs_about_is_counted(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "drive.trc"
    write(path, messages())
    lines = path.read_text().splitlines(keepends=True)
    lines[-5] = lines[-5][:20] + "\n"
    path.write_text("".join(lines))
    recording = open_recording(path)
    assert len(list(recording)) == 59 and recording.counters == {"damaged_lines": 1}


@pytest.mark.parametrize("bad", ["nan", "inf"])
@pytest.mark.parametrize("at", [0, 150])
def test_a_stamp_that_is_no_number_costs_one_frame(tmp_path: Path, bad: str, at: int) -> None:
    path = tmp_path / "drive.csv"
    lines = [TEXT_LINES[".csv"].format(n=0.1 * n) for n in range(300)]
    lines[at] = bad + lines[at][lines[at].index(",") :]
    path.write_text(HEADER[".csv"] + "".join(lines))
    recording = open_recording(path)
    assert len(list(recording)) == 299 and recording.counters == {"damaged_frames": 1}
    assert recording.duration_s == pytest.approx(29.9, abs=0.11)


@pytest.mark.parametrize("steps", [{150: 1.79e9}, {150: 1.79e9, 151: 0.0}, {150: -1e6}])
def test_a_clock_that_was_set_does_not_spoil_the_time(tmp_path: Path, steps: dict[int, float]) -> None:
    path = tmp_path / "drive.csv"
    shift_s, lines = 0.0, []
    for n in range(300):
        shift_s = steps.get(n, shift_s)
        lines.append(TEXT_LINES[".csv"].format(n=2e6 + 0.1 * n + shift_s))
    path.write_text(HEADER[".csv"] + "".join(lines))
    recording = open_recording(path)
    times = [frame.time_s for frame in recording]
    assert times == sorted(times) and recording.counters == {"clock_steps": len(steps)}
    assert recording.duration_s == pytest.approx(29.9, abs=0.21)


def test_mf4_without_its_package_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("livemon.sources.recording.find_spec", lambda name: None)
    path = tmp_path / "drive.mf4"
    path.write_bytes(b"MDF     4.10")
    with pytest.raises(RecordingError, match="pip install"):
        list(open_recording(path))


def test_a_device_is_refused_because_it_never_ends() -> None:
    with pytest.raises(RecordingError, match="got a device"):
        open_recording("/dev/zero")


@pytest.mark.parametrize("suffix", [".log", ".asc", ".csv", ".trc"])
def test_a_file_without_lines_is_left_when_told_to_stop(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"zeros{suffix}"
    with path.open("wb") as file:
        file.write(b"date Sat Sep 30 10:06:13.191 AM 2023\n" if suffix == ".asc" else b"")
        file.truncate(1 << 34)
    asked = 0

    def stop() -> bool:
        nonlocal asked
        asked += 1
        return asked > 20

    assert list(open_recording(path, stop=stop)) == []


def test_an_overlong_line_of_a_text_format_costs_that_line(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    write(path, messages())
    lines = path.read_text().splitlines(keepends=True)
    lines.insert(10, "1" * 100_000 + "\n")
    path.write_text("".join(lines))
    recording = open_recording(path)
    assert len(list(recording)) == 60 and recording.counters["damaged_lines"] == 1


@pytest.mark.parametrize(
    "damage",
    ["data = 3000000000", "data = 'text'", "data = zeroblob(65)", "ts = 'noon'", "arbitration_id = NULL"],
)
def test_a_damaged_row_of_a_database_costs_that_row(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "drive.db"
    write(path, messages())
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("ALTER TABLE messages RENAME TO old")
        database.execute("CREATE TABLE messages AS SELECT * FROM old")  # without the columns' constraints
        database.execute(f"UPDATE messages SET {damage} WHERE rowid = 5")
    recording = open_recording(path)
    assert len(list(recording)) == 59 and recording.counters["damaged_frames"] == 1
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(f"UPDATE messages SET {damage}")
    with pytest.raises(RecordingError, match="60 damaged ones only"):
        list(open_recording(path))
