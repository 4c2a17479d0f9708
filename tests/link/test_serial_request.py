"""What one request makes of its replies: was that all, does it teach, is it worth asking again."""

from __future__ import annotations

import pytest

from livemon.permit import permit
from livemon.records import Frame
from livemon.sources.serial_counts import AnswerCounts
from livemon.sources.serial_lines import parse
from livemon.sources.serial_request import QUICK_WAIT_S, Request

ASK = permit(Frame(0.0, 0x7DF, False, bytes.fromhex("0201020000000000")))
SINGLE = "7E8 04 41 0C 1A F8"
FIRST, SECOND, THIRD = (
    "7E8 10 14 49 02 01 4C 56 4D",
    "7E8 21 54 45 53 54 30 30 30",
    "7E8 22 30 30 30 30 30 31 37",
)
NOISE, READABLE_NOISE = "7E8 2\xff", "7E8 2W10D"


@pytest.mark.parametrize(
    ("digit", "lines", "again", "teaches", "due"),
    [
        ("1", [SINGLE], False, True, 1),
        ("F", [SINGLE], False, True, 1),
        ("", [SINGLE], False, True, 1),
        ("3", [FIRST, SECOND, THIRD], False, True, 3),
        ("F", [FIRST, SECOND], True, False, 3),  # the end is missing, whatever became of it
        ("F", [FIRST, NOISE, THIRD], True, False, 3),
        ("F", [FIRST, READABLE_NOISE, THIRD], True, False, 3),
        ("1", [NOISE], True, False, 0),
        ("F", [READABLE_NOISE], True, False, 0),
        ("2", [SINGLE, NOISE], True, False, 1),  # the other control unit's answer is spoilt
        ("2", [SINGLE], False, True, 1),  # it did not answer: learn that
        ("1", [SINGLE, NOISE], False, False, 1),  # noise beside a whole answer
        ("F", ["NO DATA"], False, True, 0),
        ("F", [FIRST, "BUFFER FULL"], False, False, 3),  # asking again would fill it again
        ("F", [NOISE, "CAN ERROR"], False, False, 0),
    ],
)
def test_what_a_reply_comes_to(digit: str, lines: list[str], again: bool, teaches: bool, due: int) -> None:
    request = Request("0102" + digit, 10.0, 1.2, ASK, digit)
    repeated = Request("0102" + digit, 10.0, 1.2, ASK, digit, repeats=True)
    for text in lines:
        for line in parse(text.encode("latin-1")):
            request.take(line, 10.01)
            repeated.take(line, 10.01)
    assert (request.is_lost_to_noise, request.teaches, request.due_lines) == (again, teaches, due)
    assert request.heard
    assert not repeated.is_lost_to_noise


def test_only_the_last_expected_line_shortens_the_wait() -> None:
    request = Request("01022", 10.0, 1.2, ASK, "2")
    line = parse(SINGLE.encode("ascii"))[0]
    request.take(line, 10.1)
    assert request.deadline_s == 11.2
    request.take(line, 10.2)
    assert request.deadline_s == pytest.approx(10.2 + QUICK_WAIT_S)


def test_counts_are_learned_and_learned_anew() -> None:
    counts, everybody, one = AnswerCounts(), (0x7DF, b"\x01\x0c"), (0x7E0, b"\x01\x0c")
    assert counts.digit(one) == "F"
    counts.learn(one, "F", 1)
    assert counts.digit(one) == "1"  # one control unit, one answer: once is enough
    counts.learn(everybody, "F", 2)
    assert counts.digit(everybody) == "F"
    counts.learn(everybody, "F", 2)
    assert counts.digit(everybody) == "2"
    counts.learn(everybody, "2", 1)
    assert counts.digit(everybody) == "F"
    counts.learn(everybody, "F", 1)
    counts.learn(everybody, "F", 1)
    digits = [counts.digit(everybody) for _ in range(500)]
    assert 2 <= digits.count("F") <= 4 and digits.count("1") == 500 - digits.count("F")
    counts.never_limit(everybody)
    assert {counts.digit(everybody) for _ in range(10)} == {"F"}


def test_an_ask_without_a_safe_count_goes_without_one() -> None:
    """01101 less its 0 is 1101, a reset; 110F is nothing. 01801 less its 1 is 0801, a leak test."""
    counts = AnswerCounts()
    for payload, allowed in ((b"\x01\x10", {"F"}), (b"\x01\x80", {""})):
        ask = (0x7E0, payload)
        counts.learn(ask, "F", 1)
        assert {counts.digit(ask) for _ in range(5)} == allowed
