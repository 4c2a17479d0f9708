"""The candump reader: both layouts, damage of every kind, never a wrong byte."""

from __future__ import annotations

import gzip
import random
from codecs import BOM_UTF8
from datetime import datetime
from pathlib import Path

import can
import pytest

from livemon.errors import RecordingError
from livemon.obd.decode import Decoder
from livemon.obd.j1939 import J1939Decoder
from livemon.records import Frame
from livemon.sources.candump import Candump

GOOD = """\
(1600000000.000000) can0 7DF#02010C0000000000
(1600000000.020000) can0 7E8#04410C1AF8000000
(1600000000.030500) can1 18DAF110#03410D32
(1600000000.031000) can0 316#
(1600000001.000000) can0 7E8#04410C1B00AAAAAA
"""
FRAMES = [
    Frame(0.0, 0x7DF, False, bytes.fromhex("02010C0000000000"), "can0"),
    Frame(0.02, 0x7E8, False, bytes.fromhex("04410C1AF8000000"), "can0"),
    Frame(0.0305, 0x18DAF110, True, bytes.fromhex("03410D32"), "can1"),
    Frame(0.031, 0x316, False, b"", "can0"),
    Frame(1.0, 0x7E8, False, bytes.fromhex("04410C1B00AAAAAA"), "can0"),
]
SPACED = """\
 (1600000000.000000)  can0  7DF   [8]  02 01 0C 00 00 00 00 00
 (1600000000.020000)  can0  7E8   [8]  04 41 0C 1A F8 00 00 00
 (1600000000.030500)  can1  18DAF110   [4]  03 41 0D 32
 (1600000000.031000)  can0  316   [0] \n (1600000001.000000)  can0  7E8   [8]  04 41 0C 1B 00 AA AA AA
"""


def recording(tmp_path: Path, content: str | bytes, name: str = "drive.log") -> Candump:
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return Candump(path)


def rounded(frames: list[Frame]) -> list[Frame]:
    return [frame._replace(time_s=round(frame.time_s, 5)) for frame in frames]


@pytest.mark.parametrize(
    "text",
    [
        GOOD,
        SPACED,
        GOOD.replace("\n", "\r\n"),
        GOOD.replace("\n", " R\n"),
        GOOD.lower().replace(" r\n", "\n"),
        "\n# a comment\n" + GOOD.replace("\n", "\n\n"),
        "".join(GOOD.splitlines(keepends=True)[:2]) + SPACED[SPACED.index(" (1600000000.0305") :],
        SPACED.replace("can0  ", "can0  RX - -  "),
        SPACED.replace("AA AA AA\n", "AA AA AA   '.A......'\n"),
        SPACED.replace("(1600000000.", f"({datetime.fromtimestamp(1600000000)}.").replace(
            "(1600000001.", f"({datetime.fromtimestamp(1600000001)}."
        ),
    ],
)
def test_both_layouts(tmp_path: Path, text: str) -> None:
    reader = recording(tmp_path, text)
    assert rounded(list(reader)) == FRAMES
    assert reader.frames == 5
    assert reader.start_s == 1600000000.0
    assert reader.duration_s == 1.0
    assert not reader.counters
    assert not reader.notices


@pytest.mark.parametrize("name", ["drive.log.gz", "DRIVE.LOG.GZ"])
def test_compressed(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(gzip.compress(GOOD.encode()))
    assert rounded(list(Candump(path))) == FRAMES


def test_same_frames_as_the_reference_reader(tmp_path: Path) -> None:
    """python-can's own reader on a well-formed file of random frames."""
    rng = random.Random(7)
    lines, time_s = [], 1700000000.0
    for _ in range(3000):
        time_s += rng.uniform(0.0, 0.01)
        identifier = f"{rng.randrange(0x800):03X}" if rng.random() < 0.5 else f"{rng.randrange(1 << 29):08X}"
        data = rng.randbytes(rng.randrange(9)).hex().upper()
        lines.append(f"({time_s:.6f}) {rng.choice(('can0', 'vcan1'))} {identifier}#{data}\n")
    reader = recording(tmp_path, "".join(lines))
    ours = list(reader)
    reference = list(can.LogReader(reader.path))
    assert len(ours) == len(reference) == 3000
    for frame, message in zip(ours, reference, strict=True):
        assert frame.time_s == pytest.approx(message.timestamp - reference[0].timestamp, abs=1e-6)
        assert (frame.can_id, frame.extended) == (message.arbitration_id, message.is_extended_id)
        assert frame.data == bytes(message.data)
        assert frame.channel == message.channel


def test_only_wanted_frames_but_all_counted_and_time_from_the_first(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.write_text(
        "(99.5) can0 123#00\n".replace("99.5", "1599999990.0") + GOOD + "(1600000009.0) can0 1#00\n"
    )
    path.write_text("(1599999990.0) can0 123#00\n" + GOOD + "(1600000009.0) can0 124#00\n")
    reader = Candump(path, Decoder().wanted_ids)
    frames = list(reader)
    assert [frame.can_id for frame in frames] == [0x7DF, 0x7E8, 0x18DAF110, 0x7E8]
    assert frames[0].time_s == pytest.approx(10.0)
    assert reader.frames == 7
    assert reader.duration_s == pytest.approx(19.0)
    assert list(Candump(path, J1939Decoder().wanted_ids)) == []


def test_cut_at_every_byte_of_the_last_line(tmp_path: Path) -> None:
    for text in (GOOD, SPACED):
        last = text.rindex("\n", 0, -1) + 1
        for end in range(last + 1, len(text)):
            reader = recording(tmp_path, text[:end])
            frames = rounded(list(reader))
            whole = text is GOOD and end == len(text) - 1  # all sixteen digits are there
            assert frames == (FRAMES if whole else FRAMES[:4]), text[last:end]
            assert reader.counters["cut_last_line"] == (0 if whole else 1)
            assert len(reader.notices) == (0 if whole else 1)


def test_zeros_at_the_end_as_a_power_cut_leaves_them(tmp_path: Path) -> None:
    reader = recording(tmp_path, GOOD.encode() + bytes(100000))
    assert rounded(list(reader)) == FRAMES
    assert reader.notices


@pytest.mark.parametrize(
    "damaged",
    [
        "(1600000000.5) can0 7E8#04410C1AF\n",  # odd digits
        "(1600000000.5) can0 7E8#04410C1AF8000000AA\n",  # nine bytes
        "(1600000000.5) can0 7E8#04410G1AF8\n",
        "(1600000000.5) can0 7E#04410C1AF8\n",
        "(1600000000.5) can0 7E8E8#04410C1AF8\n",
        "(1600000000.5) can0 FFF#04410C1AF8\n",  # more than eleven bits
        "(1600000000.5) can0 40000000#0441\n",
        "(1600000000.5) can0 7E8 04410C1AF8\n",
        "(16000x0000.5) can0 7E8#04410C1AF8\n",
        "(nan) can0 7E8#04410C1AF8\n",
        "1600000000.5 can0 7E8#04410C1AF8\n",
        "(1600000000.5) can0 7E8#04410C(1600000000.6) can0 7E8#04410C1AF8\n",
        "(1600000000.5)  can0  7E8   [5]  04 41 0C 1A\n",
        "(1600000000.5)  can0  7E8   [4]  04 41 0C 1A F8\n",
        "(1600000000.5)  can0  7E8   [5]  04 41 0C 1A F\n",
        "(1600000000.5)  can0  7E8   [9]  04 41 0C 1A F8 00 00 00 00\n",
        "\x00\x00\x00\n",
        "(9999-99-99 12:26:40.5) can0 7E8#0441\n",
    ],
)
def test_damage_is_skipped_counted_and_named(tmp_path: Path, damaged: str) -> None:
    lines = GOOD.splitlines(keepends=True)
    reader = recording(tmp_path, "".join([*lines[:2], damaged, *lines[2:]]))
    assert rounded(list(reader)) == FRAMES
    assert reader.counters == {"damaged_lines": 1}
    assert reader.frames == 5
    assert f"{reader.path}:3:" in reader.notices[0]


@pytest.mark.parametrize(
    ("line", "counter"),
    [
        ("(1600000000.5) can0 20000004#0000000000000000\n", "error_frames"),
        ("(1600000000.5) can0 20000088#0000080000000000\n", "error_frames"),
        (" (1600000000.5)  can0  20000004   [8]  00 01 00 00 00 00 00 00   ERRORFRAME\n", "error_frames"),
        ("(1600000000.5) can0 7E8##104410C1AF800000011223344\n", "fd_frames"),
        (" (1600000000.5)  can0  7E8  [08]  04 41 0C 1A F8 00 00 00\n", "fd_frames"),
        ("(1600000000.5) can0 7E8#R8\n", "remote_frames"),
        ("(1600000000.5) can0 7E8#R\n", "remote_frames"),
        (" (1600000000.5)  can0  7E8   [0]  remote request\n", "remote_frames"),
    ],
)
def test_frames_of_other_kinds_are_dropped_and_counted(tmp_path: Path, line: str, counter: str) -> None:
    lines = GOOD.splitlines(keepends=True)
    reader = recording(tmp_path, "".join([*lines[:2], line, *lines[2:]]))
    assert rounded(list(reader)) == FRAMES
    assert reader.counters == {counter: 1}
    assert reader.frames == 5
    assert not reader.notices


@pytest.mark.parametrize(
    "content", [b"", b"\n\n", b"hello\nworld\n", b"\x00" * 5000, b"\xff\xfe" * 9000, b"(1.0) can0 7"]
)
def test_nothing_usable_is_an_error_with_its_place(tmp_path: Path, content: bytes) -> None:
    reader = recording(tmp_path, content)
    with pytest.raises(RecordingError, match=rf"{reader.path}:1: expected candump"):
        list(reader)


def test_unreadable_file(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="No such file"):
        list(Candump(tmp_path / "none.log"))
    (tmp_path / "broken.log.gz").write_bytes(gzip.compress(GOOD.encode() * 50)[:40])
    with pytest.raises(RecordingError):
        list(Candump(tmp_path / "broken.log.gz"))


def test_time_never_goes_back(tmp_path: Path) -> None:
    text = "".join(
        f"({stamp}) can0 7E8#0{n}\n" for n, stamp in enumerate(("100.0", "100.2", "100.1", "100.3"))
    )
    reader = recording(tmp_path, text)
    assert [round(frame.time_s, 3) for frame in reader] == [0.0, 0.2, 0.2, 0.3]
    assert not reader.counters
    text = "".join(
        f"({stamp}) can0 7E8#0{n}\n" for n, stamp in enumerate(("5000.0", "5001.0", "100.0", "101.0"))
    )
    reader = recording(tmp_path, text)
    assert [round(frame.time_s, 3) for frame in reader] == [0.0, 1.0, 1.0, 2.0]
    assert reader.counters == {"clock_steps": 1}
    assert reader.duration_s == 2.0


@pytest.mark.parametrize("wrong", ["1600000070.0", "1599999999.0", "1600900000.0", "0600000000.0"])
@pytest.mark.parametrize("at", [0, 1, 5, 8])
def test_a_stamp_with_a_wrong_digit_spoils_its_own_line_only(tmp_path: Path, wrong: str, at: int) -> None:
    stamps = [f"{1600000010 + n / 10:.6f}" for n in range(10)]
    stamps[at] = wrong
    if at == 0 and abs(float(wrong) - 1600000010) < 86400:
        pytest.skip("nobody can tell the first frame from the rest of a drive that began a minute later")
    reader = recording(tmp_path, "".join(f"({stamp}) can0 7E8#{n:02X}\n" for n, stamp in enumerate(stamps)))
    times = [(frame.data[0], round(frame.time_s, 3)) for frame in reader]
    zero = 1 if at == 0 else 0
    assert times == [(n, round((n - zero) / 10, 3)) for n in range(10) if n != at]
    assert reader.counters == {"damaged_lines": 1}
    assert reader.duration_s == pytest.approx(0.9 - zero / 10)


def test_gaps_are_kept(tmp_path: Path) -> None:
    stamps = (100.0, 100.1, 160.0, 160.1, 9000.0, 9000.5)
    reader = recording(tmp_path, "".join(f"({stamp}) can0 7E8#00\n" for stamp in stamps))
    assert [round(frame.time_s, 3) for frame in reader] == [round(stamp - 100.0, 3) for stamp in stamps]


def test_random_damage_never_gives_a_frame_that_was_not_there(tmp_path: Path) -> None:
    rng = random.Random(11)
    lines = [f"({1600000000 + n / 100:.6f}) can0 7E8#{n:016X}\n" for n in range(3000)]
    there = {int(line[-17:], 16) for line in lines}
    data = bytearray("".join(lines).encode())
    for _ in range(300):
        at = rng.randrange(len(data))
        if rng.random() < 0.5:
            del data[at : at + rng.randrange(1, 60)]
        else:
            data[at] = rng.randrange(128, 256)  # noise that is no digit
    reader = recording(tmp_path, bytes(data))
    frames = [frame for frame in reader if len(frame.data) == 8]
    wrong = [frame for frame in frames if int.from_bytes(frame.data, "big") not in there]
    assert not wrong
    assert len(frames) > 2300
    assert 100 < reader.counters["damaged_lines"] <= 600
    assert [f.time_s for f in frames] == sorted(f.time_s for f in frames)


def test_random_bytes_never_raise_anything_else(tmp_path: Path) -> None:
    rng = random.Random(12)
    for _ in range(200):
        content = bytes(rng.choice(b"(01.)#can 7E8AF[]\n\x00\xffRT-:") for _ in range(rng.randrange(400)))
        try:
            list(recording(tmp_path, content + rng.choice((b"", GOOD.encode()))))
        except RecordingError as error:
            assert "\n" not in str(error)


def steady(stamps_s: list[float]) -> str:
    return "".join(f"({stamp:.6f}) can0 7E8#03410D{n % 256:02X}\n" for n, stamp in enumerate(stamps_s))


@pytest.mark.parametrize("step_s", [1.79e9, -1.5e9])
def test_a_clock_that_was_set_neither_way_spoils_the_time(tmp_path: Path, step_s: float) -> None:
    """A board without a clock of its own begins in the past and is set by the network while it records."""
    stamps = [1.6e9 + 0.1 * n + (step_s if n >= 1500 else 0.0) for n in range(3000)]
    reader = recording(tmp_path, steady(stamps))
    times = [frame.time_s for frame in reader]
    assert len(times) == 3000 and reader.counters == {"clock_steps": 1}
    assert reader.duration_s == pytest.approx(299.8) and times == sorted(times)


@pytest.mark.parametrize("at", [0, 1, 700, 1998, 1999])
@pytest.mark.parametrize("stamp", ["9" * 400 + ".0", "999999999999.0", "3390000000.0"])
def test_one_wrong_stamp_shifts_nothing_for_good(tmp_path: Path, stamp: str, at: int) -> None:
    lines = steady([1.6e9 + 0.1 * n for n in range(2000)]).splitlines(keepends=True)
    lines[at] = f"({stamp})" + lines[at].partition(")")[2]
    for wanted in (None, frozenset({(0x7E8, False)})):
        path = tmp_path / "drive.log"
        path.write_text("".join(lines))
        reader = Candump(path, wanted)
        times = [frame.time_s for frame in reader]
        assert reader.duration_s == pytest.approx(199.9, abs=0.21) and times == sorted(times)
        assert len(times) >= 1999 and 1 <= sum(reader.counters.values()) <= 2


def test_damage_inside_a_compressed_file_ends_the_reading_with_a_notice(tmp_path: Path) -> None:
    rng = random.Random(1)
    text = steady([1.6e9 + 0.1 * n + 0.01 * rng.random() for n in range(20000)])
    packed = bytearray(gzip.compress(text.encode()))
    packed[len(packed) // 2 :] = rng.randbytes(len(packed) // 2)
    for content in (bytes(packed), gzip.compress(text.encode())[: len(packed) // 2]):
        reader = recording(tmp_path, content, "drive.log.gz")
        assert 5000 < len(list(reader)) < 19000
        assert reader.counters["cut_recording"] == 1 and "reading ended early" in reader.notices[0]


def test_a_byte_order_mark_costs_no_frame(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(BOM_UTF8 + b"(1.000000) can0 7E8#04410C1AF8\n(1.100000) can0 7E8#04410C1AF8\n")
    reader = Candump(path)
    assert len(list(reader)) == 2 and not reader.counters and not reader.notices


@pytest.mark.parametrize("ends", [b"\n", b""])
def test_one_endless_line_is_one_damaged_line(tmp_path: Path, ends: bytes) -> None:
    path, good = tmp_path / "drive.log", b"(1.000000) can0 7E8#04410C1AF8\n"
    path.write_bytes(good + b"x" * 5_000_000 + ends + (good * 3 + b"(2.0) can0 oops\n" if ends else b""))
    reader = Candump(path)
    assert len(list(reader)) == (4 if ends else 1)
    assert reader.counters["damaged_lines"] == (2 if ends else 1)
    assert f"{path}:2:" in reader.notices[0]
