"""DBC files that are odd, damaged or ambiguous: read all the same, or refused in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from livemon.errors import RecordingError, UsageError
from livemon.quantities import QUANTITIES
from livemon.records import Frame
from livemon.sources.dbc import DbcDecoder

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: A B\n'
ODD_FLOAT = """\
BO_ 1 M: 8 A
 SG_ engine_rpm : 0|24@1- (1,0) [0|0] "" B
SIG_VALTYPE_ 1 engine_rpm : 1;
"""
CIRCLE = """\
BO_ 1 M: 8 A
 SG_ a M : 0|8@1+ (1,0) [0|0] "" B
 SG_ engine_rpm m1M : 8|8@1+ (1,0) [0|0] "" B
SG_MUL_VAL_ 1 engine_rpm engine_rpm 1-1;
"""


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"hello",
        bytes(500),
        b"\xff\xfe\xfd" * 50,
        HEAD.encode(),
        (HEAD + "BO_ 1 M: 8 A\n SG_ engine_rpm : 0|16@1+ (0.25").encode(),
        (HEAD + 'BO_ 1 M: 8 A\n SG_ engine_rpm : 0|999@1+ (1,0) [0|0] "" B\n').encode(),
        (HEAD + 'BO_ 99999999999 M: 8 A\n SG_ engine_rpm : 0|8@1+ (1,0) [0|0] "" B\n').encode(),
        (HEAD + 'BO_ 1 M: 8 A\n SG_ engine_rpm : 0|8@1+ (0,0) [0|0] "" B\n').encode(),
        (HEAD + 'BO_ 1 M: 8 A\n SG_ engine_rpm : 0|8@1+ (1e999,0) [0|0] "" B\n').encode(),
        (HEAD + f'BO_ 1 M: 8 A\n SG_ engine_rpm : 0|16@1+ (1{"0" * 400},0) [0|0] "" B\n').encode(),
        (HEAD + 'BO_ 1 M: 8 A\n SG_ engine_rpm : 0|16@1+ (1e307,0) [0|0] "" B\n').encode(),
        (HEAD + ODD_FLOAT).encode(),
        (HEAD + CIRCLE).encode(),
        (HEAD + 'BO_ 1 M: 0 A\n SG_ engine_rpm : 0|8@1+ (1,0) [0|0] "" B\n').encode(),
    ],
)
def test_hostile_files(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.dbc"
    path.write_bytes(content)
    try:
        decoder = DbcDecoder(path, {"engine_rpm": "M.engine_rpm"})
    except (RecordingError, UsageError) as error:  # a cut file may hold a message without its signals
        assert "bad.dbc" in str(error)
        assert "\n" not in str(error)
        return
    for can_id, _, extended in decoder.wanted_masks:
        for size in range(9):
            for reading in decoder.feed(Frame(0.0, can_id, extended, bytes(range(100, 100 + size)))):
                assert abs(reading.value) < 1e12
                assert reading.quantity in QUANTITIES


@pytest.mark.parametrize(
    ("turbine", "shared"),
    [
        ("16|16@1+", False),
        ("15|16@1+", True),
        ("23|16@0+", False),  # big-endian: given by its highest bit
        ("15|16@0+", True),
        ("0|16@1+", True),
    ],
)
def test_two_signals_that_share_bits_are_not_both_read(tmp_path: Path, turbine: str, shared: bool) -> None:
    path = tmp_path / "v.dbc"
    signals = f' SG_ n : 0|16@1+ (0.25,0) [0|0] "" B\n SG_ t : {turbine} (0.25,0) [0|0] "" B\n'
    path.write_text(f"{HEAD}BO_ 1 M: 8 A\n{signals}")
    if not shared:
        DbcDecoder(path, {"engine_rpm": "M.n", "turbine_rpm": "M.t"})
        return
    with pytest.raises(RecordingError, match=r"v\.dbc: .*M\.t: bits that n has too"):
        DbcDecoder(path, {"engine_rpm": "M.n", "turbine_rpm": "M.t"})
    DbcDecoder(path, {"turbine_rpm": "M.t"})  # one of them alone may be what it says


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no such file"):
        DbcDecoder(tmp_path / "none.dbc")


def test_a_directory_is_called_one(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="a directory"):
        DbcDecoder(tmp_path)


def test_a_byte_order_mark_is_no_part_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "v.dbc"
    text = HEAD + 'BO_ 1 M: 8 A\n SG_ engine_rpm : 0|8@1+ (1,0) [0|0] "rpm" B\nCM_ "Drehzahl ±1 %";\n'
    for encoding in ("utf-8-sig", "cp1252"):
        path.write_text(text, encoding=encoding)
        assert DbcDecoder(path).quantities == {"engine_rpm"}


@pytest.mark.parametrize("encoding", ["ascii", "utf-8", "utf-8-sig", "utf-16", "utf-16-be", "cp1252", "gbk"])
def test_any_encoding_of_the_comments(tmp_path: Path, encoding: str) -> None:
    comment = {"cp1252": "Drehzahl ±1 %", "gbk": "转速恘", "ascii": "speed"}.get(encoding, "Í обороты А")
    text = HEAD + f'BO_ 1 M: 8 A\n SG_ engine_rpm : 0|8@1+ (1,0) [0|0] "rpm" B\nCM_ "{comment}";\n'
    path = tmp_path / "v.dbc"
    path.write_bytes(("\ufeff" + text if encoding == "utf-16-be" else text).encode(encoding))
    assert DbcDecoder(path).quantities == {"engine_rpm"}


TWINS = (
    HEAD
    + 'BO_ 1 M: 8 A\n SG_ engine_rpm : 0|16@1+ (1,0) [0|0] "rpm" B\n SG_ oil_c : 16|8@1+ (1,0) [0|0] "" B\n'
    + 'BO_ 2 M: 8 A\n SG_ vehicle_kmh : 0|16@1+ (1,0) [0|0] "km/h" B\n SG_ oil_c : 24|8@1+ (1,0) [0|0] "" B\n'
)


def test_two_messages_of_one_name_are_two(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "v.dbc"
    path.write_text(TWINS)
    decoder = DbcDecoder(path, {"engine_rpm": "M.engine_rpm", "vehicle_kmh": "vehicle_kmh"})
    data = bytes.fromhex("0102000000000000")
    assert [r.quantity for r in decoder.feed(Frame(0.0, 1, False, data))] == ["engine_rpm"]
    assert [r.quantity for r in decoder.feed(Frame(0.0, 2, False, data))] == ["vehicle_kmh"]
    assert not caplog.records


def test_a_name_that_several_messages_have_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "v.dbc"
    path.write_text(TWINS)
    with pytest.raises(UsageError, match=r"'M.oil_c' .* got M \(0x1\), M \(0x2\); .* differ in the DBC"):
        DbcDecoder(path, {"oil_c": "M.oil_c"})
    path.write_text(TWINS.replace("BO_ 2 M:", "BO_ 2 N:"))
    with pytest.raises(UsageError, match=r'M \(0x1\), N \(0x2\); write .* oil_c = "Message.Signal"'):
        DbcDecoder(path, {"oil_c": "oil_c"})
    assert DbcDecoder(path, {"oil_c": "N.oil_c"}).quantities == {"oil_c"}


def test_messages_of_one_j1939_group_are_read_together(tmp_path: Path) -> None:
    path = tmp_path / "v.dbc"
    path.write_text(
        HEAD
        + f'BO_ {0x8CF004FE} One: 8 A\n SG_ engine_rpm : 24|16@1+ (0.125,0) [0|0] "rpm" B\n'
        + f'BO_ {0x98F004FE} Other: 8 A\n SG_ engine_torque_pct : 16|8@1+ (1,-125) [0|0] "%" B\n'
    )
    readings = DbcDecoder(path).feed(Frame(0.0, 0x18F00403, True, bytes.fromhex("0B7D7D640016007D")))
    assert {r.quantity: r.value for r in readings} == {"engine_rpm": 12.5, "engine_torque_pct": 0.0}


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (
            'BO_ 1 M: 8 A\n SG_ engine_rpm : 36|4294967295@1+ (1,0) [0|0] "" B\n',
            "bad.dbc:6: .*4294967295 bits",
        ),
        (
            'BO_ 1 M: 8 A\n SG_ engine_rpm : 4294967295|8@1+ (1,0) [0|0] "" B\n',
            "bad.dbc:6: .*4294967295 bits",
        ),
        (
            'BO_ 1 M: 4294967295 A\n SG_ engine_rpm : 0|8@1+ (1,0) [0|0] "" B\n',
            "bad.dbc:5: .*4294967295 byte",
        ),
    ],
)
def test_a_length_that_no_bus_carries_is_refused_by_its_line(tmp_path: Path, line: str, says: str) -> None:
    path = tmp_path / "bad.dbc"
    path.write_text(HEAD + line)
    with pytest.raises(RecordingError, match=says):
        DbcDecoder(path)


def test_a_length_in_a_comment_and_a_message_sent_in_pieces_are_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "good.dbc"
    note = 'CM_ BO_ 1 "was\nBO_ 1 M: 99999 A\n SG_ a : 0|99999@1+";\n'
    path.write_text(HEAD + 'BO_ 1 M: 1785 A\n SG_ engine_rpm : 0|16@1+ (1,0) [0|0] "" B\n' + note)
    assert DbcDecoder(path).wanted_masks


def test_a_failure_without_a_word_is_told_as_numbers_too_large(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise MemoryError

    path = tmp_path / "bad.dbc"
    path.write_text(HEAD)
    monkeypatch.setattr("cantools.database.load_string", fail)
    with pytest.raises(RecordingError, match="got numbers too large for it"):
        DbcDecoder(path)
