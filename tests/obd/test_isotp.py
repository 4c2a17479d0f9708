"""ISO 15765-2 reassembly: messages whole, frame by frame, with something trailing; every breach counted."""

from __future__ import annotations

import random

import pytest

from livemon.obd.isotp import Assembler, flow_control_frame
from livemon.permit import permit
from livemon.records import Frame


def frames_of(message: bytes, padding: int | None = 0xAA) -> list[bytes]:
    """The frames ISO 15765-2 sends a message in (clause 9.6: single, first, consecutive frames)."""
    size = len(message)
    if size <= 7:
        frames = [bytes((size,)) + message]
    else:
        frames = [bytes((0x10 | size >> 8, size & 0xFF)) + message[:6]]
        for number, at in enumerate(range(6, size, 7), 1):
            frames.append(bytes((0x20 | number & 0x0F,)) + message[at : at + 7])
    if padding is not None:
        frames = [frame.ljust(8, bytes((padding,))) for frame in frames]
    return frames


def feed_all(frames: list[bytes], step_s: float = 0.001) -> tuple[Assembler, list[bytes]]:
    assembler = Assembler()
    messages = [assembler.feed(number * step_s, frame) for number, frame in enumerate(frames)]
    return assembler, [message for message in messages if message is not None]


@pytest.mark.parametrize("size", [1, 6, 7, 8, 13, 14, 20, 111, 118, 4095])
@pytest.mark.parametrize("padding", [None, 0x00, 0x55, 0xAA, 0xCC])
def test_whole_messages(size: int, padding: int | None) -> None:
    message = bytes(n & 0xFF for n in range(size))
    assembler, messages = feed_all(frames_of(message, padding))
    assert messages == [message]
    assert not assembler.errors
    assert not assembler.busy


def test_nothing_until_the_last_frame_and_nothing_after() -> None:
    message = bytes(range(30))
    frames = frames_of(message)
    assembler = Assembler()
    for number, frame in enumerate(frames[:-1]):
        assert assembler.feed(number * 0.01, frame) is None
        assert assembler.busy
        assert assembler.wants_flow_control == (number == 0)
    assert assembler.feed(0.2, frames[-1]) == message
    assert assembler.feed(0.21, frames_of(b"\x41\x0d\x00")[0]) == b"\x41\x0d\x00"
    assert assembler.feed(0.22, frames[-1]) is None
    assert assembler.errors == {"isotp_unexpected_consecutive": 1}


# Laid out as the worked example in SAE J1979 (service 09, PID 02), in three frames. The number is invented:
# no region has codes that begin with 0 (ISO 3780, from memory).
VIN_FRAMES = ["10 14 49 02 01 30 4C 4D", "21 54 45 53 54 56 30 31", "22 32 33 34 35 36 37 38"]


def test_vin_in_three_frames() -> None:
    _, messages = feed_all([bytes.fromhex(text) for text in VIN_FRAMES])
    assert messages == [b"\x49\x02\x01" + b"0LMTESTV012345678"]


@pytest.mark.parametrize(
    ("frames", "error", "messages"),
    [
        (["", "02 41 00"], "empty_frame", 1),
        (["00 41 0C"], "bad_length", 0),
        (["07 41 0C"], "bad_length", 0),
        (["09 41 0C 00 00 00 00 00"], "bad_length", 0),
        (["10 07 41 0C 00 00 00 00"], "bad_length", 0),  # fits a single frame
        (["10 00 00 00 10 00 41 00"], "bad_length", 0),  # 32-bit length
        (["10 14 49 02 01 31"], "bad_length", 0),
        ([VIN_FRAMES[0], VIN_FRAMES[2], VIN_FRAMES[1]], "wrong_sequence", 0),
        ([VIN_FRAMES[0], VIN_FRAMES[1], VIN_FRAMES[1]], "wrong_sequence", 0),
        ([VIN_FRAMES[0], "21 54 45", VIN_FRAMES[2]], "bad_length", 0),
        ([VIN_FRAMES[0], VIN_FRAMES[1], *VIN_FRAMES], "interrupted", 1),
        ([VIN_FRAMES[0], "02 41 00", *VIN_FRAMES[1:]], "interrupted", 1),
        ([VIN_FRAMES[1], *VIN_FRAMES], "unexpected_consecutive", 1),
        (["40 00", "F1 22"], "unknown_kind", 0),
    ],
)
def test_breaches_are_counted_and_the_next_message_is_whole(
    frames: list[str], error: str, messages: int
) -> None:
    assembler, whole = feed_all([bytes.fromhex(text) for text in frames])
    assert assembler.errors["isotp_" + error] >= 1
    assert len(whole) == messages
    for frame in frames_of(bytes(range(20))):
        last = assembler.feed(9.0, frame)
    assert last == bytes(range(20))


def test_flow_control_of_the_other_side_is_ignored() -> None:
    assembler, messages = feed_all([bytes.fromhex(t) for t in (VIN_FRAMES[0], "30 00 00", *VIN_FRAMES[1:])])
    assert len(messages) == 1
    assert not assembler.errors


def test_overdue_and_unfinished() -> None:
    assembler = Assembler()
    first, second, third = (bytes.fromhex(text) for text in VIN_FRAMES)
    assembler.feed(0.0, first)
    assembler.expire(0.9)
    assert assembler.busy
    assembler.expire(1.1)
    assert not assembler.busy
    assert assembler.errors == {"isotp_timeout": 1}
    assembler.feed(2.0, first)
    assembler.feed(2.9, second)
    assert assembler.feed(3.8, third) is not None, "each frame has its own second"
    assembler.feed(5.0, first)
    assembler.end()
    assert assembler.errors["isotp_unfinished"] == 1


@pytest.mark.parametrize(
    ("answer", "tester"), [((0x7E8, False), (0x7E0, False)), ((0x18DAF110, True), (0x18DA10F1, True))]
)
def test_flow_control_goes_to_the_sender_and_passes_the_gate(
    answer: tuple[int, bool], tester: tuple[int, bool]
) -> None:
    frame = flow_control_frame(Frame(1.0, *answer, bytes.fromhex(VIN_FRAMES[0])))
    assert (frame.can_id, frame.extended) == tester
    assert frame.data == bytes.fromhex("3000000000000000")
    assert permit(frame).frame is frame


def test_random_bytes_never_raise() -> None:
    rng = random.Random(1)
    assembler = Assembler()
    for number in range(15000):
        start = rng.choice((b"", b"\x10\x14", b"\x21", b"\x22", b"\x03"))
        message = assembler.feed(
            number * 0.001, (start + rng.randbytes(rng.randrange(9)))[: rng.randrange(9)]
        )
        assert message is None or 1 <= len(message) <= 4095
