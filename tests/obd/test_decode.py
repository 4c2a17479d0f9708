"""Frames to readings: the standard's example bytes, times, packed and long answers, several control units."""

from __future__ import annotations

import csv
import random
from pathlib import Path

import pytest

from livemon.obd.codes import NAMES, code_of, name_of
from livemon.obd.decode import Decoder
from livemon.obd.pids import LENGTHS, PIDS, supported_pids
from livemon.quantities import QUANTITIES
from livemon.records import Frame, Reading

VECTORS = Path(__file__).parents[1] / "vectors"


def rows(name: str) -> list[dict[str, str]]:
    with (VECTORS / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def single(message: bytes, size: int = 8) -> bytes:
    return (bytes((len(message),)) + message).ljust(size, b"\xaa")


def ask(time_s: float, *pids: int, can_id: int = 0x7DF) -> Frame:
    return Frame(time_s, can_id, can_id > 0x7FF, single(bytes((1, *pids))))


def answer(time_s: float, text: str, can_id: int = 0x7E8) -> list[Frame]:
    message = bytes.fromhex(text)
    if len(message) <= 7:
        datas = [single(message)]
    else:
        datas = [bytes((0x10, len(message))) + message[:6]]
        datas += [
            (bytes((0x20 | n & 15,)) + message[at : at + 7]).ljust(8, b"\xaa")
            for n, at in enumerate(range(6, len(message), 7), 1)
        ]
    return [Frame(time_s + 0.002 * n, can_id, can_id > 0x7FF, data) for n, data in enumerate(datas)]


def feed(decoder: Decoder, *frames: Frame) -> list[Reading]:
    return [reading for frame in frames for reading in decoder.feed(frame)]


@pytest.mark.parametrize("row", rows("pids.csv"), ids=lambda row: f"{row['answer']} {row['quantity']}")
@pytest.mark.parametrize("can_id", [0x7E8, 0x7EF, 0x18DAF110])
def test_standard_example_bytes(row: dict[str, str], can_id: int) -> None:
    digits = len(row["value"].partition(".")[2])
    frames = answer(1.0, row["answer"], can_id)
    decoder = Decoder()
    for _ in range(2):  # the second time takes the fast way
        readings = {reading.quantity: reading for reading in feed(decoder, *frames)}
        reading = readings[row["quantity"]]
        assert reading.value == pytest.approx(float(row["value"]), abs=0.5 * 10.0**-digits)
        assert reading.source == can_id
        assert reading.time_s == 1.0


def test_every_row_has_a_vector_a_unit_and_a_source() -> None:
    quantities = {row["quantity"] for row in rows("pids.csv")}
    for pid, row in PIDS.items():
        assert row.quantity in QUANTITIES
        assert row.quantity in quantities, f"add a line for PID {pid:02X} to tests/vectors/pids.csv"
        assert LENGTHS[pid] == row.length
        assert "J1979" in row.source
        for quantity, _, resolution in row.decode(bytes([3] * row.length)):
            assert quantity in QUANTITIES
            assert resolution > 0.0


@pytest.mark.parametrize("pid", sorted(PIDS))
def test_fast_and_long_way_agree(pid: int) -> None:
    rng = random.Random(pid)
    fast = Decoder()
    for _ in range(300):
        data = rng.randbytes(PIDS[pid].length)
        frames = answer(1.0, (bytes((0x41, pid)) + data).hex())
        assert feed(fast, *frames) == [
            Reading(1.0, quantity, value, resolution, 0x7E8)
            for quantity, value, resolution in PIDS[pid].decode(data)
        ]


def test_answers_without_padding() -> None:
    decoder = Decoder()
    for _ in range(2):
        for text, value in (("41 0D 32", 50.0), ("41 0C 1A F8", 1726.0)):
            message = bytes.fromhex(text)
            whole = bytes((len(message),)) + message
            assert [r.value for r in decoder.feed(Frame(0.0, 0x7E8, False, whole))] == [value]
            assert decoder.feed(Frame(0.0, 0x7E8, False, whole[:-1])) == ()
    assert decoder.counters["isotp_bad_length"] == 4


def test_road_speed_carries_its_whole_kilometres() -> None:
    (reading,) = feed(Decoder(), *answer(0.0, "41 0D 32"))
    assert reading.resolution == 1.0
    (reading,) = feed(Decoder(), *answer(0.0, "41 0C 1A F8"))
    assert reading.resolution == 0.25


def test_time_is_the_middle_of_ask_and_answer() -> None:
    decoder = Decoder()
    for start in (1.0, 2.0):
        (reading,) = feed(decoder, ask(start, 0x0D), *answer(start + 0.04, "41 0D 32"))
        assert reading.time_s == pytest.approx(start + 0.02)
    # no ask seen for this PID: its own time
    (reading,) = feed(decoder, *answer(3.0, "41 0C 1A F8"))
    assert reading.time_s == 3.0
    # an ask of long ago was answered long ago or never
    (reading,) = feed(decoder, *answer(5.0, "41 0D 32"))
    assert reading.time_s == 5.0


def test_each_unit_is_matched_to_its_own_ask() -> None:
    decoder = Decoder()
    decoder.feed(ask(1.00, 0x0C, can_id=0x7E0))
    decoder.feed(ask(1.02, 0xA4, can_id=0x7E1))
    (reading,) = feed(decoder, *answer(1.04, "41 0C 1A F8", 0x7E8))
    assert reading.time_s == pytest.approx(1.02)
    gear, ratio = feed(decoder, *answer(1.06, "41 A4 03 20 0A 00", 0x7E9))
    assert gear.time_s == ratio.time_s == pytest.approx(1.04)
    # 29 bit, physical; the ask of another unit does not count
    decoder.feed(ask(2.00, 0x0C, can_id=0x18DA10F1))
    decoder.feed(ask(2.03, 0x0C, can_id=0x18DA18F1))
    frames = answer(2.04, "41 0C 1A F8", 0x18DAF110)
    assert feed(Decoder(), ask(2.00, 0x0C, can_id=0x18DA10F1), *frames)[0].time_s == pytest.approx(2.02)


def test_packed_answer_in_one_frame() -> None:
    readings = feed(Decoder(), ask(1.0, 0x0C, 0x0D), *answer(1.02, "41 0C 1A F8 0D 32"))
    assert [(r.quantity, r.value) for r in readings] == [("engine_rpm", 1726.0), ("vehicle_kmh", 50.0)]
    assert {r.time_s for r in readings} == {1.01}


def test_packed_answer_in_several_frames_has_the_time_of_its_first() -> None:
    decoder = Decoder()
    frames = answer(1.02, "41 0C 1A F8 0D 32 62 E1 49 33 05 7B 11 80")
    decoder.feed(ask(1.0, 0x0C, 0x0D, 0x62, 0x49, 0x05, 0x11))
    assert decoder.feed(frames[0]) == ()
    flow_control = decoder.flow_control
    assert flow_control is not None
    assert flow_control.can_id == 0x7E0
    readings = feed(decoder, *frames[1:])
    assert decoder.flow_control is None
    assert [r.quantity for r in readings] == [
        *("engine_rpm", "vehicle_kmh", "engine_torque_pct"),
        *("pedal_pct", "coolant_c", "throttle_pct"),
    ]
    assert {r.time_s for r in readings} == {1.01}


def test_bytes_after_the_standard_length_are_not_a_second_pid() -> None:
    decoder = Decoder()
    # An answer two bytes too long, whose last bytes look like road speed 255.
    (reading,) = feed(decoder, ask(1.0, 0x0C), *answer(1.02, "41 0C 1A F8 0D FF"))
    assert reading.quantity == "engine_rpm"
    assert decoder.counters["extra_bytes"] == 1


def test_answers_that_cannot_be_read_are_counted() -> None:
    decoder = Decoder()
    assert feed(decoder, *answer(1.0, "41 0C 1A")) == []
    assert feed(decoder, *answer(1.0, "41 EE 1A")) == []
    assert feed(decoder, *answer(1.0, "62 F1 90 31")) == []
    assert decoder.counters == {"bad_length": 1, "unknown_pid": 1, "other_service": 1}


def test_several_units_answer_one_supplies() -> None:
    decoder = Decoder()
    for n in range(10):
        start = 0.1 * n
        engine = feed(decoder, ask(start, 0x0C), *answer(start + 0.01, "41 0C 1A F8"))
        assert [r.source for r in engine] == [0x7E8]
        assert feed(decoder, *answer(start + 0.015, "41 0C 1A F0", 0x7E9)) == []
    assert decoder.counters["second_source"] == 10
    # What only the second has comes from the second.
    assert [r.source for r in feed(decoder, *answer(1.2, "41 A4 03 20 0A 00", 0x7E9))] == [0x7E9] * 2
    # The first falls silent: the second takes over for good.
    assert [r.source for r in feed(decoder, *answer(4.0, "41 0C 1A F0", 0x7E9))] == [0x7E9]
    assert feed(decoder, *answer(4.1, "41 0C 1A F8")) == []
    assert [r.source for r in feed(decoder, *answer(4.2, "41 0C 1A F0", 0x7E9))] == [0x7E9]


def test_a_log_of_two_buses_holds_each_answer_once() -> None:
    vin = answer(1.0, "490201" + b"0LMTESTV012345678".hex())
    answers = [*vin, *answer(1.1, "41 0C 1A F8"), *answer(1.2, "41 0C 1A F0")]
    decoder = Decoder()
    readings = feed(decoder, *(each._replace(channel=bus) for each in answers for bus in ("can0", "can1")))
    assert [r.value for r in readings] == [1726.0, 1724.0]
    assert decoder.vin == "0LMTESTV012345678"
    assert decoder.counters == {"second_channel": len(answers)}
    later = [each._replace(channel="can1") for each in answer(9.0, "41 0C 1A F8")]
    assert len(feed(decoder, *later)) == 1, "the recording went on over another interface"


def test_negative_answers_are_counted_and_pending_is_waited_for() -> None:
    decoder = Decoder()
    assert feed(decoder, *answer(1.0, "7F 01 12"), *answer(1.0, "7F 01 21"), *answer(1.0, "7F 0A")) == []
    assert decoder.counters == {"negative_12": 1, "negative_busy": 1, "negative_00": 1}
    (reading,) = feed(decoder, ask(2.0, 0x0D), *answer(2.05, "7F 01 78"), *answer(2.3, "41 0D 32"))
    assert decoder.counters["negative_pending"] == 1
    assert reading.time_s == pytest.approx(2.15)


def test_support_masks() -> None:
    # The mask of public PID tables: BE 1F A8 13 supports 01 03-07 0C-11 13 15 1C 1F 20.
    assert supported_pids(0x00, bytes.fromhex("BE1FA813")) == {
        *(0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11),
        *(0x13, 0x15, 0x1C, 0x1F, 0x20),
    }
    decoder = Decoder()
    feed(decoder, *answer(0.0, "41 00 BE 1F A8 13"), *answer(0.0, "41 20 80 00 00 00", 0x7E9))
    assert decoder.supported[0x7E8] >= {0x0C, 0x0D}
    assert decoder.supported[0x7E9] == {0x21}


@pytest.mark.parametrize("row", rows("codes.csv"), ids=lambda row: row["code"])
def test_trouble_codes(row: dict[str, str]) -> None:
    high, low = bytes.fromhex(row["bytes"])
    assert code_of(high, low) == row["code"]
    if row["name"]:
        assert name_of(row["code"]) == row["name"]


def test_code_names() -> None:
    assert name_of("P1870") == name_of("P3123") == name_of("B1234") == "defined by the vehicle maker"
    assert name_of("P0999") == name_of("P3456") == "standard code without a name here"
    assert all(len(code) == 5 and text for code, text in NAMES.items())


def test_codes_of_three_kinds_and_several_units() -> None:
    decoder = Decoder()
    feed(decoder, *answer(1.0, "43 03 07 41 07 15 03 00"), *answer(1.1, "43 01 07 30", 0x7E9))
    feed(decoder, *answer(1.2, "47 00"), *answer(1.3, "4A 01 07 41"))
    assert list(decoder.codes["stored"]) == ["P0741", "P0715", "P0300", "P0730"]
    assert decoder.codes["pending"] == {}
    assert decoder.codes["permanent"] == {"P0741": NAMES["P0741"]}
    feed(decoder, *answer(2.0, "43 00"))
    assert list(decoder.codes["stored"]) == ["P0730"], "the newest answer of a unit replaces its last"
    # Before CAN the pairs began at once, filled up with zeros.
    feed(decoder, *answer(3.0, "43 07 41 00 00 00 00"))
    assert "P0741" in decoder.codes["stored"]


def test_vin_and_unit_name() -> None:
    decoder = Decoder()
    feed(decoder, *answer(1.0, "490201" + b"0LMTESTV012345678".hex()))
    assert decoder.vin == "0LMTESTV012345678"
    feed(decoder, *answer(2.0, "490A01" + b"ECM\0-EngineControl\0\0".hex()))
    assert decoder.unit_names == {0x7E8: "ECM-EngineControl"}
    other = Decoder()
    feed(other, *answer(1.0, "490201" + "ff" * 17))
    assert other.vin is None
    assert other.counters["unreadable_text"] == 1


def test_freeze_frame() -> None:
    decoder = Decoder()
    feed(
        decoder,
        *answer(1.0, "42 02 00 07 41"),
        *answer(1.1, "42 0C 00 1A F8"),
        *answer(1.2, "42 0D 00 32 05 00 7B"),
    )
    assert decoder.freeze_frame == {
        "code": "P0741",
        "engine_rpm": 1726.0,
        "vehicle_kmh": 50.0,
        "coolant_c": 83.0,
    }


def test_other_traffic_is_ignored() -> None:
    decoder = Decoder()
    for can_id, extended in ((0x316, False), (0x7E8, True), (0x18DAF110, False), (0x0CF00400, True)):
        assert decoder.feed(Frame(1.0, can_id, extended, bytes.fromhex("04410C1AF8000000"))) == ()
    assert (0x7E8, False) in decoder.wanted_ids
    assert (0x18DAF110, True) in decoder.wanted_ids
    assert (0x7E8, True) not in decoder.wanted_ids


def test_random_bytes_never_raise() -> None:
    rng = random.Random(5)
    decoder = Decoder()
    ids = [0x7DF, 0x7E0, 0x7E8, 0x7E9, 0x18DB33F1, 0x18DAF110, 0x18DA10F1]
    starts = [
        b"",
        b"\x03\x41\x0d",
        b"\x04\x41\x0c",
        b"\x06\x41",
        b"\x10\x14\x49\x02",
        b"\x21",
        b"\x22",
        b"\x10\x0a\x43",
    ]
    starts += [b"\x07\x42", b"\x03\x7f", b"\x02\x01", b"\x10\x30\x41", b"\x05\x47"]
    for number in range(15000):
        can_id = rng.choice(ids)
        data = (rng.choice(starts) + rng.randbytes(rng.randrange(9)))[: rng.randrange(9)]
        for reading in decoder.feed(Frame(number * 0.01, can_id, can_id > 0x7FF, data)):
            assert reading.quantity in QUANTITIES
            assert abs(reading.value) < 1e9
            assert reading.time_s <= number * 0.01
    decoder.end()
