"""Bytes from a serial adapter -> lines -> frames and named events. No port, no clock, bounded memory.

The adapter answers in lines of hex with the CAN header in front, or in a short sentence, and shows the
prompt `>` when it is ready for the next ask. Nothing is decoded before its end is seen, so one bad byte
costs one line and never the lines after it.
"""

from __future__ import annotations

import re
from typing import Final, Literal, NamedTuple

from livemon.identifiers import is_answer

Kind = Literal[
    "frame",  # an answer, header and all
    "prompt",  # ready for the next ask
    "ok",
    "searching",
    "bus_init",
    "no_data",
    "buffer_full",
    "can_error",
    "bus_error",
    "bus_init_error",
    "unable_to_connect",
    "stopped",
    "not_understood",
    "low_voltage",
    "headerless",  # an answer without its header: the adapter lost its set-up
    "text",  # anything else that is readable: banner, echo, reply to a question
    "garbled",
]


class Line(NamedTuple):
    """One line from the adapter. `text` is upper case without blanks; the rest only for kind "frame"."""

    kind: Kind
    text: str = ""
    can_id: int = 0
    extended: bool = False
    data: bytes = b""


# The replies common to adapters that take AT commands, blanks and dots removed (common practice, no source).
SENTENCES: Final[dict[str, Kind]] = {
    "OK": "ok",
    "?": "not_understood",
    "SEARCHING": "searching",
    "BUSINIT:": "bus_init",
    "BUSINIT:OK": "bus_init",
    "BUSINIT:ERROR": "bus_init_error",
    "NODATA": "no_data",
    "BUFFERFULL": "buffer_full",
    "CANERROR": "can_error",
    "BUSBUSY": "bus_error",
    "BUSERROR": "bus_error",
    "FBERROR": "bus_error",
    "UNABLETOCONNECT": "unable_to_connect",
    "STOPPED": "stopped",
    "LVRESET": "low_voltage",
    "LPALERT": "low_voltage",
}
LONGEST_LINE: Final = 256  # the longest legal line has 8 + 16 hex digits, with blanks 35
_ENDS: Final = re.compile(rb"[\r\n>]")
_HEX: Final = re.compile(r"[0-9A-F]+")
_PROMPT: Final = Line("prompt")
# Positive answers to services 01 02 03 07 09 0A, and the negative answer.
_ANSWER_STARTS: Final = ("41", "42", "43", "47", "49", "4A", "7F")


class LineReader:
    """Collects bytes into lines. `garbled` counts what could not be read."""

    def __init__(self) -> None:
        self.garbled = 0
        self._partial = bytearray()
        self._skipping = False  # inside a line that grew too long: drop up to its end

    def feed(self, data: bytes) -> list[Line]:
        """Lines completed by `data`, in order. Chopping the input differently changes nothing."""
        data = data.translate(None, b"\0")  # adapters let NULs slip in; they carry nothing
        lines: list[Line] = []
        start = 0
        for end in _ENDS.finditer(data):
            self._collect(data[start : end.start()])
            start = end.end()
            lines += self._complete()
            if end.group() == b">":
                lines.append(_PROMPT)
        self._collect(data[start:])
        return lines

    def clear(self) -> None:
        """Forget an unfinished line."""
        self._partial.clear()
        self._skipping = False

    def _collect(self, data: bytes) -> None:
        if not self._skipping:
            self._partial += data
            if len(self._partial) > LONGEST_LINE:
                self._partial.clear()
                self._skipping = True
                self.garbled += 1

    def _complete(self) -> list[Line]:
        if self._skipping:
            self._skipping = False
            return [Line("garbled")]
        raw = bytes(self._partial)
        self._partial.clear()
        lines = parse(raw)
        self.garbled += sum(line.kind == "garbled" for line in lines)
        return lines


def parse(raw: bytes) -> list[Line]:
    """One line without its end. Empty: no line; "SEARCHING...7E8..." is two: the sentence and the frame."""
    if not raw.isascii() or not (text := raw.decode("ascii")).isprintable():
        return [Line("garbled")]
    text = text.replace(" ", "").upper()
    if not text:
        return []
    for start in ("SEARCHING", "BUSINIT:OK"):
        rest = text.removeprefix(start).lstrip(".")
        if rest and rest != text:
            return [Line(SENTENCES[start], start), *parse(rest.encode("ascii"))]
    kind = SENTENCES.get(text.replace(".", ""))
    if kind:
        return [Line(kind, text)]
    return [_hex_line(text) if _HEX.fullmatch(text) else _other(text)]


def _hex_line(text: str) -> Line:
    # Bytes come in digit pairs: an odd count means a 3-digit header (11 bit), an even one 8 digits (29 bit).
    header = 3 if len(text) % 2 else 8
    if len(text) > header:
        can_id = int(text[:header], 16)
        data = bytes.fromhex(text[header:])
        if is_answer(can_id, header == 8) and _is_whole(data):
            return Line("frame", text, can_id, header == 8, data)
    if len(text) % 2 == 0 and len(text) >= 4 and text[:2] in _ANSWER_STARTS:
        return Line("headerless", text)
    return Line("garbled" if len(text) > 4 else "text", text)


def _other(text: str) -> Line:
    if text.startswith("ERR") or "<" in text:  # internal errors; "<DATA ERROR" behind a frame the bus damaged
        return Line("garbled", text)
    return Line("text", text)


def _is_whole(data: bytes) -> bool:
    """Whether ISO 15765-2 allows these bytes from a control unit: catches lines cut by noise."""
    kind, low = data[0] >> 4, data[0] & 0x0F
    if len(data) > 8:
        return False
    if kind == 0:
        return 1 <= low <= 7 and len(data) > low
    if kind == 1:
        return len(data) == 8 and (low << 8 | data[1]) > 7
    return kind == 2 and len(data) > 1
