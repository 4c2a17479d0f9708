"""The diagnostic identifiers of ISO 15765-4, and the filters that let them through."""

from __future__ import annotations

import random

from livemon import identifiers
from livemon.identifiers import DIAGNOSTIC_MASKS, WantedIds, is_answer, is_ask


def test_eleven_bits() -> None:
    asks = [can_id for can_id in range(0x800) if is_ask(can_id, False)]
    answers = [can_id for can_id in range(0x800) if is_answer(can_id, False)]
    assert asks == [0x7DF, *range(0x7E0, 0x7E8)]
    assert answers == [*range(0x7E8, 0x7F0)]
    assert [identifiers.tester_id(can_id, False) for can_id in answers] == asks[1:]


def test_twenty_nine_bits() -> None:
    assert is_ask(0x18DB33F1, True) and not is_answer(0x18DB33F1, True)
    for unit in range(256):
        assert is_answer(0x18DAF100 | unit, True)
        assert identifiers.tester_id(0x18DAF100 | unit, True) == 0x18DA00F1 | unit << 8
        assert is_ask(0x18DA00F1 | unit << 8, True)
    for can_id in (0x7DF, 0x7E8, 0x98DAF110, 0x98DA10F1, 0x18DB33F2, 0x18DA10F2, 0x18DAF210, 0x0CF00400):
        assert not is_ask(can_id, True) and not is_answer(can_id, True)


def test_filters_let_through_exactly_these() -> None:
    wanted = WantedIds(DIAGNOSTIC_MASKS)
    rng = random.Random(1)
    wide = [rng.randrange(1 << 29) for _ in range(2000)]
    wide += [0x18DA0000 | rng.choice((0xF1, n % 256)) << 8 | rng.choice((0xF1, n % 251)) for n in range(2000)]
    for can_id, extended in (*((n, False) for n in range(0x800)), *((n, True) for n in (*wide, 0x18DB33F1))):
        assert ((can_id, extended) in wanted) == (is_ask(can_id, extended) or is_answer(can_id, extended))
    assert "7E8" not in wanted
