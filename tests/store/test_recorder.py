"""The recorder: candump text that is on the disk in time, whole whatever happens, and read back the same."""

from __future__ import annotations

import os
import random
import resource
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import can
import pytest

from livemon.errors import UsageError
from livemon.obd.decode import Decoder
from livemon.records import Frame
from livemon.sources.candump import Candump
from livemon.store.recorder import Recorder

ANSWER = Frame(1600000000.25, 0x7E8, False, bytes.fromhex("04410C1AF8AAAAAA"))


def frames(count: int, seed: int = 1) -> list[Frame]:
    rng = random.Random(seed)
    return [
        Frame(
            0.01 * n,
            0x18DAF110 if n % 3 == 0 else rng.randrange(0x800),
            n % 3 == 0,
            rng.randbytes(rng.randrange(9)),
        )
        for n in range(count)
    ]


def test_lines_are_candump_text(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    recorder = Recorder(path)
    recorder.write(ANSWER)
    recorder.write(Frame(1600000000.5, 0x18DAF110, True, bytes.fromhex("03410D32"), "can1"))
    recorder.write(Frame(1600000000.5, 0x5, False, b""))
    assert path.read_text() == (
        "(1600000000.250000) can0 7E8#04410C1AF8AAAAAA\n"
        "(1600000000.500000) can1 18DAF110#03410D32\n"
        "(1600000000.500000) can0 005#\n"
    ), "each line is handed over at once"
    recorder.close()
    recorder.close()
    assert recorder.frames == 3


def test_read_back_by_us_and_by_python_can(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    written = frames(500)
    recorder = Recorder(path, start_s=1.7e9)
    for n, frame in enumerate(written):
        recorder.write(frame)
        if n % 100 == 50:
            recorder.mark(frame.time_s, f"here it shook {n} – Rüttelstrecke")
    recorder.close()
    reader = Candump(path)
    read = list(reader)
    assert [frame._replace(time_s=round(frame.time_s, 4)) for frame in read] == [
        frame._replace(time_s=round(frame.time_s, 4)) for frame in written
    ]
    assert reader.start_s == 1.7e9
    assert [text for _, text in reader.markers] == [
        f"here it shook {n} – Rüttelstrecke" for n in range(50, 500, 100)
    ]
    assert [round(time_s, 2) for time_s, _ in reader.markers] == [0.5, 1.5, 2.5, 3.5, 4.5]
    assert not reader.counters
    others = [message for message in can.LogReader(path) if not message.is_error_frame]
    assert [(m.arbitration_id, m.is_extended_id, bytes(m.data)) for m in others] == [
        (frame.can_id, frame.extended, frame.data) for frame in written
    ], "markers are error frames to every other reader"


def test_real_error_frames_are_not_markers(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    recorder = Recorder(path)
    recorder.write(ANSWER)
    recorder.close()
    with path.open("a") as file:
        file.write("(1600000001.0) can0 20000080#0000080000000000\n(1600000001.0) can0 20000080#\n")
    reader = Candump(path)
    assert len(list(reader)) == 1
    assert reader.markers == []
    assert reader.counters == {"error_frames": 2}


def test_synced_to_disk_at_least_once_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now_s, synced = 0.0, []
    monkeypatch.setattr(os, "fdatasync", lambda file: synced.append(now_s))
    recorder = Recorder(tmp_path / "drive.log", now_s=lambda: now_s)
    for n in range(1000):
        now_s = 0.05 * n
        recorder.write(ANSWER)
    gaps = [b - a for a, b in zip([0.0, *synced], synced, strict=False)]
    assert max(gaps) <= 1.0
    assert len(synced) > 45
    count = len(synced)
    recorder.flush()
    recorder.flush()
    assert len(synced) <= count + 1, "nothing new, nothing to do"


def test_a_system_without_fdatasync_syncs_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(os, "fdatasync")
    recorder = Recorder(tmp_path / "drive.log")
    recorder.write(ANSWER)
    recorder.close()
    assert (tmp_path / "drive.log").stat().st_size


def test_killed_at_any_moment_it_leaves_whole_lines(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    script = textwrap.dedent(
        f"""
        from livemon.store.recorder import Recorder
        from livemon.records import Frame
        recorder = Recorder({str(path)!r})
        n = 0
        while True:
            recorder.write(Frame(n * 0.001, 0x7E8, False, n.to_bytes(8, "big")))
            n += 1
            if n == 2000:
                print("running", flush=True)
        """
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.05)
        os.kill(process.pid, signal.SIGKILL)
    reader = Candump(path)
    values = [int.from_bytes(frame.data, "big") for frame in reader]
    assert values == list(range(len(values)))
    assert len(values) >= 2000
    assert reader.counters["damaged_lines"] == 0


def test_an_older_recording_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    for n in range(3):
        recorder = Recorder(path)
        recorder.write(ANSWER._replace(can_id=0x700 + n))
        recorder.close()
    assert {each.name: each.read_text().split()[2][:3] for each in tmp_path.iterdir()} == {
        "drive.log": "702",
        "drive.1.log": "700",
        "drive.2.log": "701",
    }


def test_rotation_by_size_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    recorder = Recorder(path, max_bytes=2000)
    written = frames(400)
    for frame in written:
        recorder.write(frame)
    recorder.close()
    files = [*tmp_path.glob("drive.*.log"), path]
    assert len(files) > 5
    assert all(each.stat().st_size <= 2000 for each in files)
    assert "".join(each.read_text() for each in files).count("\n") == 400
    assert sum(len(list(Candump(each))) for each in files) == 400


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_full_disk_is_one_sentence_and_watching_goes_on() -> None:
    now_s = 0.0
    recorder = Recorder("/dev/full", now_s=lambda: now_s)
    for n in range(200):
        now_s = 0.1 * n
        recorder.write(ANSWER)
        recorder.mark(now_s, "x")
        recorder.flush()
    assert recorder.frames == 0
    assert recorder.lost == 200
    assert len(recorder.notices) == 1
    assert "No space left" in recorder.notices[0]
    recorder.close()


def test_disk_that_fills_up_leaves_whole_lines_and_goes_on_when_there_is_room(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    now_s = 0.0
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    recorder = Recorder(path, now_s=lambda: now_s)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
        for n in range(100):
            now_s = 0.1 * n
            recorder.write(ANSWER)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, handler)
    full = path.read_text()
    assert len(full) <= 1000
    assert full.endswith("AAAAAA\n")
    assert len(recorder.notices) == 1
    now_s = 60.0
    recorder.write(ANSWER)
    recorder.close()
    assert path.read_text().count("\n") == full.count("\n") + 1
    assert recorder.notices[1].endswith(f"recording goes on; {recorder.lost} frames are missing so far")
    assert not list(tmp_path.glob("drive.*.log"))


def test_a_path_that_cannot_be_written_is_told_at_the_start(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="No such file"):
        Recorder(tmp_path / "none" / "drive.log")


VIN = ["1014490201304C4D", "2154455354563031", "2232333435363738"]


@pytest.mark.parametrize(("keep", "vin"), [(False, "0LMTESTV*********"), (True, "0LMTESTV012345678")])
def test_serial_number_of_a_vin_is_masked_unless_asked_for(tmp_path: Path, keep: bool, vin: str) -> None:
    path = tmp_path / "drive.log"
    recorder = Recorder(path, keep_vin=keep)
    for n, text in enumerate(VIN):
        recorder.write(Frame(0.1 * n, 0x7E8, False, bytes.fromhex(text)))
        recorder.write(Frame(0.1 * n, 0x7E9, False, bytes.fromhex("03410D3200000000")))
    other = Frame(1.0, 0x7E8, False, bytes.fromhex("2232333435363738"))
    recorder.write(other)
    recorder.close()
    decoder = Decoder()
    read = list(Candump(path))
    for frame in read:
        decoder.feed(frame)
    assert decoder.vin == vin
    assert read[-1].data == other.data, "only what belongs to a VIN"


def test_a_discarded_recording_leaves_no_file(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    recorder = Recorder(path)
    recorder.write(Frame(1.0, 0x7DF, False, bytes(8)))
    recorder.discard()
    assert not path.exists()


def test_only_a_recording_is_ever_renamed_or_deleted(tmp_path: Path) -> None:
    folder = tmp_path / "drives.log"
    (folder / "inside").mkdir(parents=True)
    with pytest.raises(UsageError, match="directory"):
        Recorder(folder)
    other = tmp_path / "other.txt"
    other.write_text("kept\n")
    link = tmp_path / "link.log"
    link.symlink_to(other)
    pipe = tmp_path / "pipe.log"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    for path in (link, pipe):
        recorder = Recorder(path, max_bytes=60)
        for n in range(3):
            recorder.write(ANSWER._replace(time_s=n))
        recorder.discard()
    assert os.read(reader, 4096).count(b"\n") == 3
    os.close(reader)
    assert other.read_text().startswith("kept\n") and other.read_text().count("\n") == 4
    assert {each.name for each in tmp_path.iterdir()} == {"drives.log", "other.txt", "link.log", "pipe.log"}


def test_a_disk_that_is_full_on_and_off_is_not_told_of_without_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = 0.0
    recorder = Recorder(tmp_path / "drive.log", now_s=lambda: now_s)
    write = os.write

    def on_and_off(file: int, data: bytes) -> int:
        if file == recorder._file and now_s % 20.0 < 10.0:
            raise OSError(28, "No space left on device")
        return write(file, data)

    monkeypatch.setattr(os, "write", on_and_off)
    for n in range(1000):
        now_s = float(n)
        recorder.write(ANSWER)
    assert len(recorder.notices) == 6 and recorder.lost > 100 and recorder.frames > 100
    recorder.close()
