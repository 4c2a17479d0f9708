"""ISO 15765-2 reassembly: frames of one responding identifier in, whole messages out. No clock, no I/O.

Only reception is here: what livemon sends is single frames and flow control, never more (see permit.py).
Classic CAN with normal addressing, as ISO 15765-4 prescribes for diagnostics: the first byte is the
protocol control information.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

from livemon.identifiers import tester_id
from livemon.records import Frame

FLOW_CONTROL: Final = bytes.fromhex("3000000000000000")  # continue to send, no block limit, no gap between
MESSAGE_TIMEOUT_S: Final = 1.0  # N_Cr, ISO 15765-2: longest wait for the next consecutive frame


class Assembler:
    """Puts one control unit's frames together.

    `feed` returns a whole message or None; `wants_flow_control` is True after a first frame.
    Every breach of the protocol is counted by name in `errors`, the message in hand is given up, and the
    next single or first frame starts afresh. Nothing raises.
    """

    __slots__ = ("_deadline_s", "_length", "_parts", "_sequence", "errors", "wants_flow_control")

    def __init__(self, errors: Counter[str] | None = None) -> None:
        self.errors: Counter[str] = Counter() if errors is None else errors
        self.wants_flow_control = False
        self._parts: bytearray | None = None
        self._length = 0
        self._sequence = 0
        self._deadline_s = 0.0

    @property
    def busy(self) -> bool:
        """Whether a message has begun and not ended."""
        return self._parts is not None

    def feed(self, time_s: float, data: bytes) -> bytes | None:
        """Take one frame's data bytes; return the message it completes, if it does."""
        self.wants_flow_control = False
        self.expire(time_s)
        if not data:
            self._breach("empty_frame")
            return None
        kind, low = data[0] >> 4, data[0] & 0x0F
        if kind == 0x0:
            if self._parts is not None:
                self._breach("interrupted")
            if not 1 <= low <= len(data) - 1:
                self._breach("bad_length")
                return None
            return data[1 : 1 + low]
        if kind == 0x1:
            self._first(time_s, data)
            return None
        if kind == 0x2:
            return self._consecutive(time_s, low, data)
        if kind != 0x3:  # a flow control frame is for the other side: not ours, no error
            self._breach("unknown_kind")
        return None

    def expire(self, now_s: float) -> None:
        """Give up a message whose next frame is overdue."""
        if self._parts is not None and now_s > self._deadline_s:
            self._breach("timeout")

    def end(self) -> None:
        """The input is over: half a message is reported, not forgotten."""
        if self._parts is not None:
            self._breach("unfinished")

    def _first(self, time_s: float, data: bytes) -> None:
        if self._parts is not None:
            self._breach("interrupted")
        length = int.from_bytes(data[:2], "big") & 0xFFF
        # Up to seven bytes fit a single frame; zero announces a 32-bit length, which no OBD answer has.
        if len(data) < 8 or length < 8:
            self._breach("bad_length")
            return
        self._parts = bytearray(data[2:8])
        self._length = length
        self._sequence = 1
        self._deadline_s = time_s + MESSAGE_TIMEOUT_S
        self.wants_flow_control = True

    def _consecutive(self, time_s: float, sequence: int, data: bytes) -> bytes | None:
        if self._parts is None:
            self._breach("unexpected_consecutive")
            return None
        if sequence != self._sequence:
            self._breach("wrong_sequence")
            return None
        self._parts += data[1:8]
        if len(self._parts) >= self._length:
            message = bytes(self._parts[: self._length])
            self._parts = None
            return message
        if len(data) < 8:  # only the last frame of a message may be short
            self._breach("bad_length")
            return None
        self._sequence = (sequence + 1) & 0x0F
        self._deadline_s = time_s + MESSAGE_TIMEOUT_S
        return None

    def _breach(self, name: str) -> None:
        self.errors["isotp_" + name] += 1
        self._parts = None


def flow_control_frame(answer: Frame) -> Frame:
    """The flow control that lets the sender of `answer`, a first frame, go on."""
    return Frame(
        answer.time_s,
        tester_id(answer.can_id, answer.extended),
        answer.extended,
        FLOW_CONTROL,
        answer.channel,
    )
