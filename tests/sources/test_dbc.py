"""DBC broadcast: our extraction against cantools, names, units, hostile files."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import cantools
import pytest
from cantools.database.can import Database

from livemon.errors import UsageError
from livemon.records import Frame
from livemon.sources.dbc import DbcDecoder

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: A B\n'
DBC = (
    HEAD
    + """\
BO_ 790 Engine: 8 A
 SG_ Speed : 16|16@1+ (0.25,0) [0|16383.75] "rpm" B
 SG_ Torque : 7|12@0- (0.5,-100) [0|0] "Nm" B
 SG_ Pedal : 48|7@1+ (0.787,0) [0|100] "%" B
BO_ 2566844672 Box: 8 A
 SG_ InputSpeed : 39|16@0+ (0.125,0) [0|8031.875] "rpm" B
 SG_ Gear : 3|4@0+ (1,0) [0|15] "" B
 SG_ Clutch : 4|1@1+ (1,0) [0|1] "" B
BO_ 900 Wheels: 4 A
 SG_ Speed : 8|16@1+ (0.01,0) [0|300] "mph" B
BO_ 901 Many: 8 A
 SG_ Which M : 0|8@1+ (1,0) [0|2] "" B
 SG_ Oil m0 : 8|8@1+ (1,-40) [-40|215] "C" B
 SG_ Coolant m1 : 8|8@1+ (1,-40) [-40|215] "C" B
BO_ 902 Real: 8 A
 SG_ Flow : 0|32@1- (1,0) [0|0] "g/s" B
SIG_VALTYPE_ 902 Flow : 1;
VAL_ 2566844672 Gear 0 "N" 1 "1" 2 "2" 14 "R" 15 "P" ;
"""
)
BROADCAST = {
    "engine_rpm": "Engine.Speed",
    "engine_torque_nm": "Engine.Torque",
    "pedal_pct": "Engine.Pedal",
    "turbine_rpm": "Box.InputSpeed",
    "gear": "Box.Gear",
    "lockup": "Box.Clutch",
    "vehicle_kmh": "Wheels.Speed",
    "transmission_oil_c": "Many.Oil",
    "coolant_c": "Many.Coolant",
    "air_flow_g_s": "Real.Flow",
}
WHOLE_BYTES = {"engine_rpm", "turbine_rpm", "vehicle_kmh", "transmission_oil_c", "coolant_c"}


def load(path: Path) -> Database:
    database = cantools.database.load_file(str(path))
    assert isinstance(database, Database)
    return database


@pytest.fixture
def dbc(tmp_path: Path) -> Path:
    path = tmp_path / "vehicle.dbc"
    path.write_text(DBC)
    return path


def test_same_numbers_as_cantools(dbc: Path) -> None:
    database = load(dbc)
    decoder = DbcDecoder(dbc, BROADCAST)
    names = {full: quantity for quantity, full in BROADCAST.items()}
    rng = random.Random(1)
    seen = set()
    for n in range(4000):
        message = rng.choice(database.messages)
        data = rng.randbytes(message.length)
        if message.name == "Many":
            data = bytes((rng.randrange(2),)) + data[1:]
        if message.name == "Real":
            data = bytes((0, 0, rng.randrange(256), 0x42)) + data[4:]
        frame = Frame(0.6 * n, message.frame_id, message.is_extended_frame, data)
        ours = {reading.quantity: reading.value for reading in decoder.feed(frame)}
        reference: Any = message.decode(data, decode_choices=False)
        for signal, value in reference.items():
            quantity = names.get(f"{message.name}.{signal}")
            if quantity is None:
                continue
            if quantity in ours and quantity != "gear":
                scale = 1.609344 if quantity == "vehicle_kmh" else 1.0
                assert ours[quantity] == pytest.approx(value * scale)
                seen.add(quantity)
            elif quantity == "gear":
                assert ours["gear"] == {14: -1.0, 15: 0.0}.get(value, value)
            else:
                assert quantity in WHOLE_BYTES  # all ones: not available
    assert seen == set(BROADCAST) - {"gear"}


@pytest.mark.parametrize("order", [0, 1])
@pytest.mark.parametrize("sign", ["+", "-"])
def test_every_place_and_length(tmp_path: Path, order: int, sign: str) -> None:
    rng = random.Random(order)
    for _ in range(60):
        length, place = rng.randrange(1, 33), rng.randrange(64)
        path = tmp_path / "one.dbc"
        path.write_text(
            f'{HEAD}BO_ 5 M: 8 A\n SG_ engine_rpm : {place}|{length}@{order}{sign} (0.5,-3) [0|0] "rpm" B\n'
        )
        try:
            database = load(path)
        except Exception:
            continue  # does not fit eight bytes
        decoder = DbcDecoder(path)
        for data in (b"\xff" * 8, *(rng.randbytes(8) for _ in range(20))):
            decoded: Any = database.messages[0].decode(data)
            readings = decoder.feed(Frame(0.0, 5, False, data))
            if readings:
                assert readings[0].value == pytest.approx(decoded["engine_rpm"])
            else:
                assert sign == "+" and decoder.counters["not_available"] >= 1


def test_resolution_is_the_scale_and_units_are_converted(dbc: Path) -> None:
    decoder = DbcDecoder(dbc, BROADCAST)
    (speed,) = decoder.feed(Frame(1.0, 900, False, bytes.fromhex("00881300")))
    assert speed.quantity == "vehicle_kmh"
    assert speed.value == pytest.approx(50.0 * 1.609344)
    assert speed.resolution == pytest.approx(0.01 * 1.609344)
    assert speed.source == 900
    engine = decoder.feed(Frame(1.0, 790, False, bytes(8)))
    assert {r.quantity: r.resolution for r in engine}["engine_rpm"] == 0.25


def test_states_are_told_on_change_and_twice_a_second(dbc: Path) -> None:
    decoder = DbcDecoder(dbc, {"lockup": "Box.Clutch"})
    can_id = decoder.wanted_masks[0][0]
    told = []
    for n in range(200):  # 100 Hz for two seconds
        data = bytes((0x10 if 0.805 < 0.01 * n < 1.305 else 0x00, *bytes(7)))
        told += [(round(r.time_s, 2), r.value) for r in decoder.feed(Frame(0.01 * n, can_id, True, data))]
    assert told == [(0.0, 0.0), (0.5, 0.0), (0.81, 1.0), (1.31, 0.0), (1.81, 0.0)]
    for time_s, repeats in ((-50.0, 1), (-49.9, 0), (-49.4, 1)):  # the clock was set back
        assert len(decoder.feed(Frame(time_s, can_id, True, bytes(8)))) == repeats


def test_a_log_of_two_buses_holds_each_frame_once(dbc: Path) -> None:
    decoder = DbcDecoder(dbc, {"engine_rpm": "Engine.Speed"})
    frames = [Frame(0.1 * n, 790, False, bytes(8), bus) for n in range(5) for bus in ("can0", "can1")]
    assert sum(len(decoder.feed(frame)) for frame in frames) == 5
    assert decoder.counters == {"second_channel": 5}
    assert len(decoder.feed(Frame(9.0, 790, False, bytes(8), "can1"))) == 1


def test_short_frames_give_what_they_hold(dbc: Path) -> None:
    decoder = DbcDecoder(dbc, BROADCAST)
    readings = decoder.feed(Frame(0.0, 790, False, bytes.fromhex("0FA0A00F")))
    assert [r.quantity for r in readings] == ["engine_rpm", "engine_torque_nm"]
    assert decoder.counters["short_frame"] == 1
    for size in range(9):
        for can_id, _, extended in decoder.wanted_masks:
            decoder.feed(Frame(0.0, can_id, extended, bytes(size)))


def test_identifiers_of_both_widths(dbc: Path) -> None:
    decoder = DbcDecoder(dbc, BROADCAST)
    box = 2566844672 & 0x1FFFFFFF
    assert (box, True) in decoder.wanted_ids
    assert decoder.feed(Frame(0.0, box, True, bytes(8)))
    assert not decoder.feed(Frame(0.0, 790, True, bytes(8)))
    assert (box, 0x1FFFFFFF, True) in decoder.wanted_masks


def test_value_tables_tell_states(tmp_path: Path) -> None:
    path = tmp_path / "v.dbc"
    path.write_text(
        HEAD
        + 'BO_ 1 M: 8 A\n SG_ lockup : 0|4@1+ (1,0) [0|0] "" B\n SG_ oil_c : 8|8@1+ (1,-40) [0|0] "" B\n'
        + 'VAL_ 1 lockup 0 "Open" 1 "Slipping" 2 "Locked" 15 "SNA" ;\nVAL_ 1 oil_c 254 "Not_Available" ;\n'
    )
    decoder = DbcDecoder(path)
    values = []
    for n, raw in enumerate((0, 1, 0, 2, 15)):
        values.append([r.value for r in decoder.feed(Frame(n, 1, False, bytes((raw, 254 if n else 140))))])
    assert values == [[0.0, 100.0], [1.0], [0.0], [1.0], []]
    assert decoder.counters["not_available"] == 5


def test_gears_are_what_the_table_calls_them(tmp_path: Path) -> None:
    """Their codes need not be their numbers: here 5 is first gear."""
    path = tmp_path / "v.dbc"
    names = ("Park", "Reverse", "Neutral", "D", "", "G1", "Gear_2", "3rd", "4", "R2", "SNA")
    table = " ".join(f'{i} "{name}"' for i, name in enumerate(names) if name)
    path.write_text(HEAD + 'BO_ 1 M: 8 A\n SG_ gear : 0|4@1+ (1,0) [0|0] "" B\n' + f"VAL_ 1 gear {table} ;\n")
    decoder = DbcDecoder(path)
    told = [[r.value for r in decoder.feed(Frame(n, 1, False, bytes((n,))))] for n in range(len(names))]
    assert told == [[0.0], [-1.0], [0.0], [3.0], [4.0], [1.0], [2.0], [3.0], [4.0], [-1.0], []]


def test_j1939_messages_match_whatever_priority_and_address(tmp_path: Path) -> None:
    path = tmp_path / "v.dbc"
    path.write_text(
        HEAD + f'BO_ {0x8CF004FE} EEC1: 8 A\n SG_ engine_rpm : 24|16@1+ (0.125,0) [0|0] "rpm" B\n'
    )
    decoder = DbcDecoder(path)
    data = bytes.fromhex("0B7D7D640016007D")
    assert (0x18F00403, True) in decoder.wanted_ids
    assert (0x18F00503, True) not in decoder.wanted_ids
    assert (0x18F00403, False) not in decoder.wanted_ids
    assert [r.value for r in decoder.feed(Frame(0.0, 0x18F00403, True, data))] == [12.5]
    assert decoder.feed(Frame(0.1, 0x18F00405, True, data)) == (), "the first address supplies it"
    assert [r.value for r in decoder.feed(Frame(0.2, 0x18F00403, True, data))] == [12.5]
    assert [r.value for r in decoder.feed(Frame(0.3, 0x0CF00403, True, data))] == [12.5]
    assert decoder.feed(Frame(2.2, 0x18F00405, True, data)) == ()
    assert decoder.counters == {"second_source": 2}
    assert [r.value for r in decoder.feed(Frame(2.4, 0x18F00405, True, data))] == [12.5], "2 s of silence"
    assert decoder.feed(Frame(2.5, 0x18F00403, True, data)) == ()


def test_signals_named_like_quantities_need_no_table(tmp_path: Path) -> None:
    path = tmp_path / "v.dbc"
    path.write_text(
        HEAD
        + 'BO_ 1 M: 8 A\n SG_ engine_rpm : 0|16@1+ (0.25,0) [0|0] "rpm" B\n'
        + ' SG_ other : 16|8@1+ (1,0) [0|0] "" B\n'
    )
    decoder = DbcDecoder(path)
    assert decoder.quantities == {"engine_rpm"}
    assert decoder.feed(Frame(0.0, 1, False, bytes.fromhex("A00F000000000000")))[0].value == 1000.0


def test_a_missing_signal_names_the_nearest(dbc: Path) -> None:
    with pytest.raises(UsageError, match=r"engine_rpm.*'Engine.Sped'.*did you mean 'Engine.Speed'"):
        DbcDecoder(dbc, {"engine_rpm": "Engine.Sped"})
    with pytest.raises(UsageError, match="did you mean 'turbine_rpm'"):
        DbcDecoder(dbc, {"turbin_rpm": "Box.InputSpeed"})
    with pytest.raises(UsageError, match=r"\[broadcast\]"):
        DbcDecoder(dbc)
    assert DbcDecoder(dbc, {"turbine_rpm": "InputSpeed"}).quantities == {"turbine_rpm"}
