"""No frame that is recorded tells which vehicle it was, whatever way the VIN came."""

from __future__ import annotations

import pytest

from livemon.store.vin_mask import VinMask
from livemon.vin import mask

VIN = b"ABC1234567890XYZ9"


def test_one_rule_for_every_file() -> None:
    assert mask("ABC1234567890XYZ9") == "ABC12345*********"
    assert [mask("ABC1234567890XYZ9"[at:], at) for at in (3, 7, 8, 12)] == [
        "12345*********", "5*********", "*********", "*****"
    ]  # fmt: skip
    assert mask("") == ""


def answered(can_id: int, extended: bool) -> list[tuple[int, bool, bytes]]:
    """Service 09 of SAE J1979 in three frames of ISO 15765-2."""
    frames = (b"\x10\x14\x49\x02\x01" + VIN[:3], b"\x21" + VIN[3:10], b"\x22" + VIN[10:])
    return [(can_id, extended, data) for data in frames]


def broadcast(announcement: int) -> list[tuple[int, bool, bytes]]:
    """Group 65260 in packets (SAE J1939-21): the text ends with an asterisk, ones fill the last packet."""
    text = (VIN + b"*").ljust(21, b"\xff")
    head = bytes((announcement, 18, 0, 3, 0xFF, 0xEC, 0xFE, 0x00))
    packets = [bytes((n + 1,)) + text[7 * n : 7 * n + 7] for n in range(3)]
    return [(0x18ECFF00, True, head), *((0x1CEBFF00, True, packet) for packet in packets)]


@pytest.mark.parametrize(
    "frames", [answered(0x7E8, False), answered(0x18DAF110, True), broadcast(0x20), broadcast(0x10)]
)
def test_only_maker_and_model_are_left(frames: list[tuple[int, bool, bytes]]) -> None:
    masked = VinMask()
    recorded = [masked(*frame) for frame in frames]
    text = b"".join(data[1:] for data in recorded[-3:])
    assert b"5" in text and not any(place in text for place in b"67890XYZ")
    assert [len(data) for data in recorded] == [len(frame[2]) for frame in frames]
    assert recorded[0] == frames[0][2]
    assert VIN[:8] in text.replace(b"\x14\x49\x02\x01", b"")


def test_other_long_messages_are_left_alone() -> None:
    masked = VinMask()
    packet = b"\x02" + VIN[:7]
    for frame in broadcast(0x20):
        masked(*frame)
    assert masked(0x1CEBFF03, True, packet) == packet, "another sender"
    masked(0x18ECFF00, True, bytes.fromhex("2027000600E3FE00"))
    assert masked(0x1CEBFF00, True, packet) == packet, "another group"
    for frame in answered(0x7E8, False)[:2]:
        masked(*frame)
    masked(0x7E8, False, bytes.fromhex("1014490A01414243"))
    assert masked(0x7E8, False, b"\x22" + VIN[:7]) == b"\x22" + VIN[:7], "another answer"
    for frame in answered(0x18F00400, True):
        assert masked(*frame) == frame[2], "no control unit answers there"
    assert masked(0x7E8, False, b"") == b""
    assert masked(0x1CEBFF00, True, b"") == b""
    assert masked(0x18ECFF00, True, b"") == b""
