"""Who speaks on which CAN identifier in diagnosis: ISO 15765-4, 11 and 29 bits; said only here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

# Identifier, mask, extended: a frame is meant when (its identifier & mask) == identifier.
Mask = tuple[int, int, bool]

FUNCTIONAL: Final = {False: 0x7DF, True: 0x18DB33F1}  # a tester to everybody; by whether it is extended
# Where they answer as a rule, by whether it is extended. The standard names 7E8 the engine's and recommends
# 7E9 for the transmission; addresses 10 and 18 are common practice, no source.
ENGINE: Final = {False: 0x7E8, True: 0x18DAF110}
TRANSMISSION: Final = {False: 0x7E9, True: 0x18DAF118}
# Every ask and every answer, as filters of a bus.
DIAGNOSTIC_MASKS: Final[tuple[Mask, ...]] = (
    (0x7E0, 0x7F0, False),
    (0x7DF, 0x7FF, False),
    (0x18DAF100, 0x1FFFFF00, True),
    (0x18DA00F1, 0x1FFF00FF, True),
    (0x18DB33F1, 0x1FFFFFFF, True),
)


def is_ask(can_id: int, extended: bool) -> bool:
    """Whether a tester sends on it, to everybody or to one control unit."""
    if can_id == FUNCTIONAL[extended]:
        return True
    return can_id & ~0xFF00 == 0x18DA00F1 if extended else 0x7E0 <= can_id <= 0x7E7


def is_answer(can_id: int, extended: bool) -> bool:
    """Whether a control unit answers a tester on it."""
    return can_id & ~0xFF == 0x18DAF100 if extended else 0x7E8 <= can_id <= 0x7EF


def tester_id(can_id: int, extended: bool) -> int:
    """The identifier that reaches the control unit answering on `can_id`."""
    return 0x18DA00F1 | (can_id & 0xFF) << 8 if extended else can_id - 8


class WantedIds:
    """The (identifier, extended) pairs that some mask lets through."""

    def __init__(self, masks: Sequence[Mask]) -> None:
        self._masks = masks

    def __contains__(self, key: object) -> bool:
        return isinstance(key, tuple) and any(
            key[0] & mask == base and key[1] == extended for base, mask, extended in self._masks
        )
