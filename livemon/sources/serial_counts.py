"""How many answers each ask brings: what lets the adapter give its prompt with the last one. No I/O."""

from __future__ import annotations

from typing import Final

EVERY_ANSWER: Final = "F"
RELEARN_EVERY: Final = 64  # asks; a control unit that was asleep may answer too by now
_MOST_ASKS: Final = 200

Ask = tuple[int, bytes]  # identifier and payload


class AnswerCounts:
    """The digit behind an ask that tells the adapter how many answers to wait for.

    With it the prompt comes with the last answer instead of a time-out later. Some digit is always sent: an
    adapter that knows it takes an odd number of digits as ask plus count, so without it a `0142` that loses
    its `1` on the wire would become `04`, count 2: clear the codes. `01421` becomes `0421`, which no service
    accepts; and an adapter that does not know the count refuses odd numbers of digits.
    """

    def __init__(self) -> None:
        self._known: dict[Ask, tuple[int, int]] = {}  # answers, and how often seen in a row without a limit
        self._asked: dict[Ask, int] = {}
        self._accepted = False
        self._refusals = 0

    def digit(self, ask: Ask) -> str:
        """The count to send with this ask; EVERY_ANSWER until two unlimited asks brought the same number.

        "" for an adapter that has refused it twice before it ever accepted it.
        """
        if self._refusals > 1:
            return ""
        if len(self._asked) > _MOST_ASKS:
            self._asked.clear()
            self._known.clear()
        self._asked[ask] = asked = self._asked.get(ask, 0) + 1
        answers, times = self._known.get(ask, (0, 0))
        known = 0 < answers < 15 and times > 1 and asked % RELEARN_EVERY
        return f"{answers:X}" if known else EVERY_ANSWER

    def learn(self, ask: Ask, digit: str, answers: int) -> None:
        """What an ask sent with `digit` brought."""
        self._accepted = self._accepted or answers > 0
        before, times = self._known.get(ask, (0, 0))
        if digit == EVERY_ANSWER:
            self._known[ask] = (answers, times + 1 if answers == before else 1)
        elif digit and answers < before:
            self._known.pop(ask, None)  # fewer than expected: find out again

    def refuse(self) -> None:
        """The adapter did not understand an ask with a count. Noise does that too, so one refusal is none."""
        self._refusals += not self._accepted
