"""Recordings by suffix: every format python-can writes, read back the same; every failure one named error."""

from __future__ import annotations

import os
import random
import threading
from pathlib import Path

import can
import pytest

from livemon.errors import RecordingError
from livemon.sources.candump import Candump
from livemon.sources.recording import OtherFormat, open_recording

# Readers of python-can that fail while opening leave the file to the garbage collector.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


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


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".db", ".trc", ".log", ".asc.gz", ".log.gz"])
def test_formats(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"drive{suffix}"
    sent = messages()
    with can.Logger(path) as writer:
        for message in sent:
            writer.on_message_received(message)
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


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".trc"])
def test_cut_files_give_what_is_whole(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"drive{suffix}"
    with can.Logger(path) as writer:
        for message in messages() * 40:
            writer.on_message_received(message)
    whole = path.read_bytes()
    for share in (0.3, 0.7, 0.95):
        path.write_bytes(whole[: int(share * len(whole))])
        try:
            frames = list(open_recording(path))
        except RecordingError:
            continue
        assert len(frames) <= 2400
        assert all(len(frame.data) <= 8 for frame in frames)


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
