"""What an adapter hears at a baud rate it was not set to must not be an ask."""

from __future__ import annotations

import re
from itertools import permutations

import pytest

from livemon.sources.serial_open import BAUDS


def heard(sent: bytes, sender_baud: int, receiver_baud: int, keep_broken: bool) -> bytes:
    """The bytes a receiver makes of `sent`: 8 data bits, no parity, sampled in the middle of each bit.

    keep_broken: whether it keeps a byte whose stop bit is missing. The line is idle (high) before and behind.
    """
    bits = [1] * 20
    for byte in sent:
        bits += [0, *(byte >> i & 1 for i in range(8)), 1]
    bits += [1] * 400

    def level(time_s: float) -> int:
        at = int(time_s * sender_baud)
        return bits[at] if at < len(bits) else 1

    falls = [at / sender_baud for at in range(1, len(bits)) if bits[at] < bits[at - 1]]
    out, free_s = bytearray(), 0.0
    for start_s in falls:
        if start_s < free_s or level(start_s + 0.5 / receiver_baud):
            continue  # in the middle of a byte, or too short for a start bit
        samples = [level(start_s + (i + 1.5) / receiver_baud) for i in range(9)]
        if samples[8] or keep_broken:
            out.append(sum(bit << i for i, bit in enumerate(samples[:8])))
        free_s = start_s + 9.5 / receiver_baud
    return bytes(out)


def test_the_right_rate_hears_what_was_sent() -> None:
    for baud in BAUDS:
        assert heard(b" ATZ\r", baud, baud, False) == b" ATZ\r"


@pytest.mark.parametrize(("sender", "receiver"), list(permutations(BAUDS, 2)))
def test_searching_for_the_rate_never_asks_anything(sender: int, receiver: int) -> None:
    for keep_broken in (False, True):
        sent = b"".join(
            heard(line, sender, receiver, keep_broken) for line in (b" ATE0\r", b" ATWS\r", b" ATZ\r")
        )
        for line in re.split(rb"\r", sent)[:-1]:
            digits = re.sub(rb"[\x00-\x20]", b"", line)
            assert not re.fullmatch(rb"[0-9A-Fa-f]{2,}", digits), (sent, line)
