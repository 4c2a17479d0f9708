"""Signals that a multiplexer switches are read by the rules of all others."""

from __future__ import annotations

import random
import re
from math import isnan
from pathlib import Path
from typing import Any

import cantools
import pytest
from cantools.database.can import Database

from livemon.errors import RecordingError
from livemon.records import Frame
from livemon.sources.dbc import DbcDecoder

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: A B\n'
PAGED = (
    HEAD
    + """\
BO_ 256 M: 8 A
 SG_ page M : 0|8@1+ (1,0) [0|0] "" B
 SG_ engine_rpm m0 : 8|16@1+ (0.25,0) [0|0] "rpm" B
 SG_ gear m0 : 24|4@1+ (1,0) [0|0] "" B
 SG_ vehicle_kmh m0 : 47|16@0+ (0.01,0) [0|0] "mph" B
VAL_ 256 gear 13 "P" 14 "R" 15 "SNA" ;
"""
)


def test_the_same_readings_with_and_without_a_multiplexer(tmp_path: Path) -> None:
    paged, flat = tmp_path / "paged.dbc", tmp_path / "flat.dbc"
    paged.write_text(PAGED)
    flat.write_text(re.sub(r" (M|m0) :", " :", PAGED))
    decoders = DbcDecoder(paged), DbcDecoder(flat)
    rng = random.Random(1)
    for n in range(3000):
        size = rng.randrange(8)
        data = bytes((0, *(rng.choice((0xFF, 0x0D, 0x0F, rng.randrange(256))) for _ in range(size))))
        frame = Frame(0.1 * n, 256, False, data)
        left, right = (decoder.feed(frame) for decoder in decoders)
        assert left == right
    assert decoders[0].counters == decoders[1].counters
    assert decoders[0].counters["not_available"] > 100


def test_a_page_that_the_dbc_does_not_describe_is_no_error(tmp_path: Path) -> None:
    path = tmp_path / "v.dbc"
    path.write_text(PAGED)
    decoder = DbcDecoder(path)
    assert not decoder.feed(Frame(0.0, 256, False, bytes.fromhex("05A00F0100000000")))
    assert not decoder.feed(Frame(0.1, 256, False, b""))
    assert decoder.counters == {}


@pytest.mark.parametrize(
    ("pages", "shared"),
    [(("m0", "m1"), False), (("m0", "m0"), True), (("m0", ""), True), (("", "m1"), True)],
)
def test_signals_share_bits_only_if_they_come_in_one_frame(
    tmp_path: Path, pages: tuple[str, str], shared: bool
) -> None:
    path = tmp_path / "v.dbc"
    one, other = (f"{page} " if page else "" for page in pages)
    path.write_text(
        f'{HEAD}BO_ 1 M: 8 A\n SG_ page M : 0|8@1+ (1,0) [0|0] "" B\n'
        f' SG_ engine_rpm {one}: 8|16@1+ (1,0) [0|0] "" B\n'
        f' SG_ turbine_rpm {other}: 23|16@1+ (1,0) [0|0] "" B\n'
    )
    if not shared:
        DbcDecoder(path)
        return
    with pytest.raises(RecordingError, match=r"M\.turbine_rpm: bits that engine_rpm has too"):
        DbcDecoder(path)


NESTED = (
    HEAD
    + """\
BO_ 1 M: 8 A
 SG_ outer M : 7|4@0+ (1,0) [0|0] "" B
 SG_ inner m1M : 8|8@1- (1,0) [0|0] "" B
 SG_ engine_rpm m2 : 16|16@1- (0.5,3) [0|0] "rpm" B
 SG_ turbine_rpm m0 : 23|16@0- (0.5,3) [0|0] "rpm" B
 SG_ air_flow_g_s m3 : 32|32@1- (2,1) [0|0] "g/s" B
 SG_ fuel_rate_l_h m3 : 39|32@0- (2,1) [0|0] "l/h" B
 SG_ engine_torque_nm : 0|4@1- (1,0) [0|0] "Nm" B
SG_MUL_VAL_ 1 inner outer 1-1;
SG_MUL_VAL_ 1 engine_rpm inner 2-4, 7-7;
SG_MUL_VAL_ 1 turbine_rpm outer 0-0;
SG_MUL_VAL_ 1 air_flow_g_s outer 3-3;
SG_MUL_VAL_ 1 fuel_rate_l_h outer 4-4;
SIG_VALTYPE_ 1 air_flow_g_s : 1;
SIG_VALTYPE_ 1 fuel_rate_l_h : 1;
"""
)


def test_nested_multiplexers_and_floats_as_cantools_reads_them(tmp_path: Path) -> None:
    path = tmp_path / "v.dbc"
    path.write_text(NESTED)
    database = cantools.database.load_file(str(path))
    assert isinstance(database, Database)
    decoder = DbcDecoder(path)
    rng = random.Random(1)
    seen = set()
    for n in range(2000):
        data = bytes((rng.randrange(5) << 4, rng.randrange(8))) + rng.randbytes(6)
        try:
            reference: Any = database.messages[0].decode(data)
        except cantools.database.DecodeError:  # a page that is not described
            continue
        ours = {r.quantity: r.value for r in decoder.feed(Frame(0.1 * n, 1, False, data))}
        assert ours.items() <= reference.items()
        left_out = decoder.quantities & reference.keys() - ours.keys()
        assert all(isnan(reference[name]) for name in left_out)
        seen |= set(ours)
    assert seen == decoder.quantities
