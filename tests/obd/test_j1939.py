"""J1939 frames to readings: published byte vectors, priorities, addresses, packets, values not available."""

from __future__ import annotations

import csv
import random
from pathlib import Path

import pytest

from livemon.obd.j1939 import MESSAGES, J1939Decoder, group_number
from livemon.quantities import QUANTITIES
from livemon.records import Frame, Reading

VECTORS = Path(__file__).parents[1] / "vectors" / "j1939.csv"
GROUPS = {
    "EEC1": 61444,
    "ETC1": 61442,
    "ETC2": 61445,
    "TRF1": 65272,
    "EEC3": 65247,
    "CCVS1": 65265,
    "AMB": 65269,
}


def rows() -> list[dict[str, str]]:
    with VECTORS.open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def frame(
    time_s: float, group: int, data: str, source: int = 0x03, priority: int = 6, to: int = 0xFF
) -> Frame:
    can_id = priority << 26 | group << 8 | source
    if group & 0xFF00 < 0xF000:
        can_id |= to << 8
    return Frame(time_s, can_id, True, bytes.fromhex(data))


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row['group']} {row['bytes']} {row['quantity']}")
@pytest.mark.parametrize(("priority", "source"), [(3, 0x00), (6, 0x03), (7, 0x31)])
def test_published_vectors(row: dict[str, str], priority: int, source: int) -> None:
    readings = J1939Decoder().feed(frame(1.0, GROUPS[row["group"]], row["bytes"], source, priority))
    values = {reading.quantity: reading.value for reading in readings}
    if row["value"]:
        assert values[row["quantity"]] == pytest.approx(float(row["value"]), abs=1e-9)
    else:
        assert row["quantity"] not in values
    assert all(reading.source == source for reading in readings)


def test_group_numbers() -> None:
    # SAE J1939-21: the identifiers of EEC1 and of a transport packet to address 0x05.
    assert group_number(0x0CF00400) == 61444
    assert group_number(0x18FEF131) == 65265
    assert group_number(0x1CEB0500) == 60160
    assert group_number(0x18E0FF00) == 57344


def test_resolution_of_road_speed() -> None:
    readings = J1939Decoder().feed(frame(0.0, 65265, "FF 00 32 10 FF FF FF FF"))
    assert {r.quantity: r.resolution for r in readings}["vehicle_kmh"] == 1.0 / 256.0


def engine_configuration(torque_nm: int) -> bytes:
    data = bytearray([0xFF] * 39)
    data[19:21] = torque_nm.to_bytes(2, "little")
    return bytes(data)


def packets(message: bytes, group: int, source: int, to: int = 0xFF, control: int = 0x20) -> list[Frame]:
    """SAE J1939-21: announcement, then packets of seven bytes, the last one filled with FF."""
    count = (len(message) + 6) // 7
    announce = bytes((control,)) + len(message).to_bytes(2, "little") + bytes((count, 0xFF))
    frames = [Frame(0.0, 0x1CEC0000 | to << 8 | source, True, announce + group.to_bytes(3, "little"))]
    for number in range(count):
        data = bytes((number + 1,)) + message[7 * number : 7 * number + 7].ljust(7, b"\xff")
        frames.append(Frame(0.05 * (number + 1), 0x1CEB0000 | to << 8 | source, True, data))
    return frames


def feed(decoder: J1939Decoder, frames: list[Frame]) -> list[Reading]:
    return [reading for each in frames for reading in decoder.feed(each)]


@pytest.mark.parametrize(("to", "control"), [(0xFF, 0x20), (0x05, 0x10)])
def test_reference_torque_in_packets(to: int, control: int) -> None:
    decoder = J1939Decoder()
    frames = packets(engine_configuration(1109), 65251, 0x00, to, control)
    assert feed(decoder, frames[:-1]) == []
    readings = feed(decoder, frames[-1:])
    assert [(r.quantity, r.value, r.source) for r in readings] == [("reference_torque_nm", 1109.0, 0x00)]


def test_packets_of_two_senders_do_not_mix() -> None:
    first = packets(engine_configuration(1000), 65251, 0x00)
    second = packets(engine_configuration(2000), 65251, 0x29)
    mixed = [each for pair in zip(first, second, strict=True) for each in pair]
    decoder = J1939Decoder()
    assert [r.value for r in feed(decoder, mixed)] == [1000.0]
    assert decoder.counters["second_source"] == 1


def test_lost_packet_gives_the_message_up_and_the_next_is_whole() -> None:
    frames = packets(engine_configuration(1109), 65251, 0x00)
    decoder = J1939Decoder()
    assert feed(decoder, frames[:3] + frames[4:]) == []
    assert decoder.counters["bam_wrong_sequence"] == 1
    assert len(feed(decoder, frames)) == 1
    late = [each._replace(time_s=each.time_s * 40.0) for each in frames]
    assert feed(decoder, late) == []
    assert decoder.counters["bam_timeout"] == 1
    feed(decoder, frames[:3])
    decoder.end()
    assert decoder.counters["bam_unfinished"] == 1


def test_one_address_supplies_until_it_is_silent() -> None:
    decoder = J1939Decoder()
    data = "FF 00 32 00 FF FF FF FF"
    sources = []
    for n in range(20):
        for source in (0x31, 0x00):
            sources += [
                r.source
                for r in decoder.feed(frame(0.1 * n, 65265, data, source))
                if r.quantity == "vehicle_kmh"
            ]
    assert set(sources) == {0x31}
    assert decoder.feed(frame(4.5, 65265, data, 0x00))[0].source == 0x00
    # An address that says "not available" supplies nothing, so it takes nothing over either.
    other = J1939Decoder()
    assert other.feed(frame(0.0, 65265, "FF FF FF FF FF FF FF FF", 0x31)) == []
    assert other.feed(frame(0.1, 65265, data, 0x00))[0].source == 0x00


def test_a_log_of_two_buses_holds_each_frame_once() -> None:
    decoder = J1939Decoder()
    frames = packets(engine_configuration(1109), 65251, 0x00)
    frames += [frame(1.0 + 0.1 * n, 61444, "0B 7D 7D 64 00 16 00 7D", 0x00) for n in range(5)]
    readings = feed(decoder, [each._replace(channel=bus) for each in frames for bus in ("can0", "can1")])
    assert sum(r.quantity == "engine_rpm" for r in readings) == 5
    assert sum(r.quantity == "reference_torque_nm" for r in readings) >= 1
    assert decoder.counters["second_channel"] == 5
    assert not decoder.counters["bam_wrong_sequence"]
    later = frames[-1]._replace(time_s=9.0, channel="can1")
    assert feed(decoder, [later, later._replace(time_s=9.1)])[0].quantity == "engine_rpm"
    assert decoder.counters["second_channel"] == 5


def test_states_are_told_on_change_and_twice_a_second() -> None:
    decoder = J1939Decoder()
    told = []
    for n in range(200):  # 100 Hz for two seconds, applied in the middle of it
        lockup = "C5" if 0.805 < 0.01 * n < 1.305 else "C1"
        for reading in decoder.feed(frame(0.01 * n, 61442, f"{lockup} 9C 2F FF F7 93 2F 03")):
            if reading.quantity == "lockup":
                told.append((round(reading.time_s, 2), reading.value))
    assert told == [(0.0, 0.0), (0.5, 0.0), (0.81, 1.0), (1.31, 0.0), (1.81, 0.0)]


def test_standard_frames_and_other_groups_are_ignored() -> None:
    decoder = J1939Decoder()
    assert decoder.feed(Frame(0.0, 0x400, False, bytes(8))) == ()
    assert decoder.feed(frame(0.0, 65226, "00 FF 00 00 00 00 FF FF")) == ()
    assert (0x0CF00400, True) in decoder.wanted_ids
    assert (0x18FECA00, True) not in decoder.wanted_ids
    assert (0x7E8, False) not in decoder.wanted_ids
    for group in MESSAGES:
        for can_id in (3 << 26 | group << 8, 7 << 26 | group << 8 | 0xFE):
            assert any(can_id & mask == base for base, mask, _ in decoder.wanted_masks)


def test_every_row_names_a_quantity() -> None:
    assert all(signal.quantity in QUANTITIES for signals in MESSAGES.values() for signal in signals)


def test_random_bytes_never_raise() -> None:
    rng = random.Random(2)
    decoder = J1939Decoder()
    groups = [*MESSAGES, 60416, 60160]
    for n in range(15000):
        can_id = rng.randrange(8) << 26 | rng.choice(groups) << 8 | rng.choice((0, 3, 0x31))
        start = rng.choice(
            (b"", b"\x20\x27\x00\x06\xff\xe3\xfe\x00", b"\x01", b"\x02", b"\x10\x00\x00\x00\xff\xe3\xfe")
        )
        data = (start + rng.randbytes(8))[: rng.choice((8, 8, 8, rng.randrange(9)))]
        for reading in decoder.feed(Frame(0.01 * n, can_id, True, data)):
            assert reading.quantity in QUANTITIES
            assert -300.0 <= reading.value < 1e5
