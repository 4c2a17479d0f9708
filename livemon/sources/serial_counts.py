"""How many answers each ask brings: what lets the adapter give its prompt with the last one. No I/O."""

from __future__ import annotations

from typing import Final

from livemon.identifiers import FUNCTIONAL
from livemon.records import Frame

EVERY_ANSWER: Final = "F"
RELEARN_EVERY: Final = 200  # asks; a control unit that was asleep may answer too by now
_MOST_ASKS: Final = 200

Ask = tuple[int, bytes]  # identifier and payload


def ask_of(frame: Frame) -> Ask:
    """Identifier and payload of an ask in a single frame."""
    return frame.can_id, frame.data[1 : 1 + (frame.data[0] & 0x0F)]


def wanted(digit: str) -> int:
    """How many lines an ask sent with `digit` should bring at least."""
    return 1 if digit in ("", EVERY_ANSWER) else int(digit, 16)


class AnswerCounts:
    """The digit behind an ask that tells the adapter how many answers to wait for.

    With it the prompt comes with the last answer instead of a time-out later. Which digit, or none, also
    decides what is left of an ask that loses a character on the wire: see `survives`.
    """

    def __init__(self) -> None:
        self._known: dict[Ask, tuple[int, int]] = {}  # answers, and how often seen in a row without a limit
        self._asked: dict[Ask, int] = {}
        self._unlimited: set[Ask] = set()
        self._accepted = False
        self._refusals = 0

    def digit(self, ask: Ask) -> str:
        """The count to send with this ask: EVERY_ANSWER until an unlimited ask has told.

        An ask to everybody must have brought the same number twice: one answer may have been lost to noise.
        "" where no digit is safe, and for an adapter that has refused it twice before it ever accepted it.
        """
        if self._refusals > 1:
            return ""
        if len(self._asked) > _MOST_ASKS:
            self._asked.clear()
            self._known.clear()
            self._unlimited.clear()
        self._asked[ask] = asked = self._asked.get(ask, 0) + 1
        answers, times = self._known.get(ask, (0, 0))
        enough = 2 if ask[0] in FUNCTIONAL.values() else 1
        known = 0 < answers < 15 and times >= enough and asked % RELEARN_EVERY and ask not in self._unlimited
        text = ask[1].hex().upper()
        for digit in (f"{answers:X}", EVERY_ANSWER) if known else (EVERY_ANSWER,):
            if survives(text + digit):
                return digit
        return ""

    def learn(self, ask: Ask, digit: str, answers: int) -> None:
        """What an ask sent with `digit` brought, in lines; see `lines_of`."""
        self._accepted = self._accepted or (bool(digit) and answers > 0)
        before, times = self._known.get(ask, (0, 0))
        if digit == EVERY_ANSWER:
            self._known[ask] = (answers, times + 1 if answers == before else 1)
        elif digit and answers < before:
            self._known.pop(ask, None)  # fewer than expected: find out again

    def never_limit(self, ask: Ask) -> None:
        """This ask may be met with "pending" first, so the number of lines says nothing."""
        self._unlimited.add(ask)

    def refuse(self) -> None:
        """The adapter did not understand an ask with a count. Noise does that too, so one refusal is none."""
        self._refusals += not self._accepted


def lines_of(data: bytes) -> int:
    """How many lines the answer that begins with this frame takes; 0 for the lines after its first."""
    kind = data[0] >> 4
    if kind == 1:
        length = (data[0] & 0x0F) << 8 | data[1]
        return 1 + -(-(length - 6) // 7)
    return 1 if kind == 0 else 0


def survives(text: str) -> bool:
    """Whether an ask that loses any one of its digits on the wire is still nothing a vehicle acts on.

    An adapter takes an odd number of digits as payload and count. So `0142` less its `1` is `04`, count 2:
    clear the codes; `01421` less its `1` is `0421`, which is no request. `01101` less its `0` would be a
    reset, `1101`. An adapter that knows no counts refuses odd numbers of digits altogether.
    """
    rests = (text[:at] + text[at + 1 :] for at in range(len(text)))
    return not any(_acts(bytes.fromhex(rest[: len(rest) // 2 * 2])) for rest in rests)


def _acts(payload: bytes) -> bool:
    """Whether the payload is a complete request that changes something (SAE J1979, ISO 14229-1)."""
    match tuple(payload):  # sequence patterns do not match bytes
        case [0x04]:  # clear the codes
            return True
        case [0x08, test, *_]:  # control of an on-board system; 01 is the evaporative leak test
            return 0x01 <= test <= 0x0F
        case [0x10 | 0x11, kind]:  # session control, reset; bit 7 only asks for no answer
            return 0x01 <= kind & 0x7F <= 0x05
        case [0x14, _, _, _]:  # clear diagnostic information
            return True
    return False
