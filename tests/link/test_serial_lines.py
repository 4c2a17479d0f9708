"""Bytes of a serial adapter -> lines: whole, byte by byte, cut anywhere, with noise."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.sources.serial_lines import LONGEST_LINE, Line, LineReader, parse

RPM = Line("frame", "7E804410C1AF8", 0x7E8, False, bytes.fromhex("04410C1AF8"))
CASES: list[tuple[bytes, list[Line]]] = [
    (b"7E8 04 41 0C 1A F8\r", [RPM]),
    (b"7E804410C1AF8\r\r>", [RPM, Line("prompt")]),
    (b"7e8 04 41 0c 1a f8 \r\n", [RPM]),
    (b"7E8\x00 04 41 0C\x00 1A F8\r", [RPM]),  # NULs slipped in
    (
        b"18 DA F1 10 03 41 0D 32\r",
        [Line("frame", "18DAF11003410D32", 0x18DAF110, True, bytes.fromhex("03410D32"))],
    ),
    (
        b"18DAF11003410D3200000000\r",
        [Line("frame", "18DAF11003410D3200000000", 0x18DAF110, True, bytes.fromhex("03410D3200000000"))],
    ),
    (  # several lines: first and consecutive frames stay raw
        b"7E8101449020131443\r7E82147503030523535\r7E82242313233343536\r\r>",
        [
            Line("garbled", "7E8101449020131443"),
            Line("frame", "7E82147503030523535", 0x7E8, False, bytes.fromhex("2147503030523535")),
            Line("frame", "7E82242313233343536", 0x7E8, False, bytes.fromhex("2242313233343536")),
            Line("prompt"),
        ],
    ),
    (
        b"7E8 10 14 49 02 01 31 44 34\r",
        [Line("frame", "7E81014490201314434", 0x7E8, False, bytes.fromhex("1014490201314434"))],
    ),
    (b"SEARCHING...\r7E804410C1AF8\r", [Line("searching", "SEARCHING..."), RPM]),
    (b"SEARCHING...7E804410C1AF8\r", [Line("searching", "SEARCHING"), RPM]),
    (b"NO DATA\r\r>", [Line("no_data", "NODATA"), Line("prompt")]),
    (b"UNABLE TO CONNECT\r", [Line("unable_to_connect", "UNABLETOCONNECT")]),
    (b"BUFFER FULL\r", [Line("buffer_full", "BUFFERFULL")]),
    (b"CAN ERROR\r", [Line("can_error", "CANERROR")]),
    (b"BUS INIT: ...OK\r", [Line("bus_init", "BUSINIT:...OK")]),
    (b"BUS INIT: ...ERROR\r", [Line("bus_init_error", "BUSINIT:...ERROR")]),
    (b"BUS BUSY\r", [Line("bus_error", "BUSBUSY")]),
    (b"STOPPED\r", [Line("stopped", "STOPPED")]),
    (b"?\r>", [Line("not_understood", "?"), Line("prompt")]),
    (b"LV RESET\r", [Line("low_voltage", "LVRESET")]),
    (b"OK\r", [Line("ok", "OK")]),
    (b"41 0C 1A F8\r", [Line("headerless", "410C1AF8")]),
    (b"A6\r", [Line("text", "A6")]),
    (b"010C\r", [Line("text", "010C")]),  # echo
    (b"7E8 04 41 0>C 1A F8\r", [Line("garbled", "7E804410"), Line("prompt"), Line("text", "C1AF8")]),
    (b"7E8 04 41 0C <DATA ERROR\r", [Line("garbled", "7E804410C<DATAERROR")]),
    (b"7E8 04 41 \xff 1A F8\r", [Line("garbled")]),
    (b"123 04 41 0C 1A F8\r", [Line("garbled", "12304410C1AF8")]),  # no control unit answers there
    (b"7E8 30 00 00\r", [Line("garbled", "7E8300000")]),  # flow control is not an answer
    (b"7E8 04 41 0C 1A\r", [Line("garbled", "7E804410C1A")]),  # a byte is missing
    (b"\r\n\r\n", []),
]


@pytest.mark.parametrize(("data", "expected"), CASES, ids=[str(case[0]) for case in CASES])
def test_whole_bytewise_and_with_more_behind(data: bytes, expected: list[Line]) -> None:
    if data == b"7E8 04 41 0>C 1A F8\r":
        expected = [*expected[:2], Line("garbled", "C1AF8")]
    assert LineReader().feed(data) == expected
    one = LineReader()
    assert [line for byte in data for line in one.feed(bytes([byte]))] == expected
    more = LineReader()
    assert more.feed(data + b"NO DA") == expected
    assert more.feed(b"TA\r")[-1] == Line("no_data", "NODATA")
    assert one.garbled == more.garbled == sum(line.kind == "garbled" for line in expected)


@given(st.binary(max_size=400), st.lists(st.integers(1, 9), max_size=60))
def test_any_bytes_chopped_anyhow_give_the_same_lines(data: bytes, cuts: list[int]) -> None:
    whole, pieces = LineReader(), LineReader()
    expected = whole.feed(data)
    got: list[Line] = []
    start = 0
    for cut in [*cuts, len(data)]:
        got += pieces.feed(data[start : start + cut])
        start += cut
    assert got + pieces.feed(data[start:]) == expected
    assert pieces.garbled == whole.garbled


def test_a_line_without_end_takes_no_memory_and_the_next_one_is_read() -> None:
    reader = LineReader()
    for _ in range(1000):
        assert reader.feed(b"7E8" * 100) == []
    assert len(reader._partial) <= LONGEST_LINE
    assert reader.feed(b"\r7E804410C1AF8\r") == [Line("garbled"), RPM]
    assert reader.garbled == 1


def test_one_bad_byte_costs_one_line_never_the_next() -> None:
    good = b"7E804410C1AF8\r" * 3
    for at in range(len(good)):
        for bad in (0xFF, 0x80, ord("G"), ord("?"), ord(" "), 0x00):
            damaged = good[:at] + bytes([bad]) + good[at + 1 :]
            frames = [line for line in LineReader().feed(damaged) if line.kind == "frame"]
            assert len(frames) >= 2 - (at % 14 == 13)  # losing a line's end joins it with the next
            assert set(frames) <= {RPM}, damaged


def test_noise_hardly_ever_makes_a_frame() -> None:
    """A line at the wrong baud rate must not become a reading: 200 000 random lines, none a frame."""
    random = Random(1)
    reader = LineReader()
    frames = 0
    for _ in range(2000):
        frames += sum(line.kind == "frame" for line in reader.feed(random.randbytes(2000)))
    assert frames == 0
    assert reader.garbled > 10_000


def test_random_hex_of_any_length_never_raises() -> None:
    random = Random(2)
    for _ in range(5000):
        text = "".join(random.choices("0123456789ABCDEF", k=random.randint(1, 30)))
        parse(text.encode("ascii"))


def test_what_a_lost_digit_does_to_an_answer() -> None:
    """Losing any one digit of a single-frame answer never leaves a frame with other numbers in it."""
    for text in ("7E804410C1AF8", "18DAF11003410D32", "7E8064100BE3FA813"):
        for at in range(len(text)):
            lines = parse((text[:at] + text[at + 1 :]).encode("ascii"))
            assert [line.kind for line in lines] != ["frame"], (text, at)
