"""One request to a serial adapter, from its writing to its prompt: what came, and was it all. No I/O."""

from __future__ import annotations

from typing import Final

from livemon.permit import Permitted
from livemon.sources.serial_counts import lines_of, wanted
from livemon.sources.serial_lines import Kind, Line

QUICK_WAIT_S: Final = 0.3  # for the prompt once every expected answer is here
_UNREADABLE: Final[frozenset[Kind]] = frozenset({"text", "garbled"})
_EXPLAINS_NOTHING: Final[frozenset[Kind]] = frozenset({"ok", "searching", "bus_init"})


class Request:
    """A set-up command, or an ask (then `ask` is set, and `digit` is the count sent with it)."""

    def __init__(
        self,
        text: str,
        written_s: float,
        wait_s: float,
        ask: Permitted | None = None,
        digit: str = "",
        repeats: bool = False,
    ) -> None:
        self.text, self.written_s, self.ask, self.digit = text, written_s, ask, digit
        self.deadline_s = written_s + wait_s
        self.replies: list[Line] = []  # all but frames
        self.heard = False  # anything since it was written: a prompt before that belongs to something else
        self.due_lines = 0  # lines the answers have, by what their first lines say
        self._repeats = repeats
        self._answers = 0  # lines that came
        self._spoilt = False  # a line came that cannot be read
        self._explained = False  # the adapter said in words how it ended

    def take(self, line: Line, now_s: float) -> None:
        """Note a line that came in reply; any but a prompt or an echo."""
        self.heard = True
        if line.kind == "frame":
            self._answers += 1
            self.due_lines += lines_of(line.data)
            if self.digit == f"{self._answers:X}":
                self.deadline_s = min(self.deadline_s, now_s + QUICK_WAIT_S)
            return
        self.replies.append(line)
        if line.kind in _UNREADABLE:
            self._spoilt = True
        elif line.kind not in _EXPLAINS_NOTHING:
            self._explained = True

    def said(self, *kinds: Kind) -> bool:
        """Whether a line of one of these kinds came."""
        return any(line.kind in kinds for line in self.replies)

    @property
    def is_cut(self) -> bool:
        """Whether lines are missing that an answer has announced."""
        return self._answers < self.due_lines

    @property
    def is_lost_to_noise(self) -> bool:
        """Whether, at the prompt, the ask should be repeated: noise took of the answer, the first time."""
        missing = self.is_cut or (self._spoilt and self._answers < wanted(self.digit))
        return missing and not self._explained and not self._repeats

    @property
    def teaches(self) -> bool:
        """Whether `due_lines` can be taken for what this ask always brings."""
        return not (self.is_cut or self._spoilt)
