"""A scripted bus and the frames that the tests of the CAN source have in common."""

from __future__ import annotations

from collections import deque
from typing import Any

import can

from livemon.clock import VirtualClock
from livemon.permit import permit
from livemon.records import Frame
from livemon.sources.can_bus import CanBus

ASK = permit(Frame(0.0, 0x7DF, False, bytes.fromhex("02010C0000000000")))


def message(can_id: int, text: str, extended: bool = False, **kind: Any) -> can.Message:
    return can.Message(arbitration_id=can_id, is_extended_id=extended, data=bytes.fromhex(text), **kind)


class Scripted:
    """A bus that does as the test says: messages, or exceptions, in order."""

    def __init__(self, *script: can.Message | Exception | None) -> None:
        self.script = deque(script)
        self.send_failure: Exception | None = None
        self._buffer = bytearray(b"\xff\xfe")  # slcan's line in hand

    def fileno(self) -> int:
        raise NotImplementedError

    def recv(self, timeout: float | None) -> can.Message | None:
        assert timeout == 0.0
        step = self.script.popleft() if self.script else None
        if isinstance(step, Exception):
            raise step
        return step

    def send(self, message: can.Message, timeout: float | None) -> None:
        assert timeout is not None
        assert timeout > 0.0
        if self.send_failure is not None:
            raise self.send_failure

    def shutdown(self) -> None:
        raise OSError("gone")


def source(bus: Scripted, interface: str = "socketcan", clock: VirtualClock | None = None) -> CanBus:
    return CanBus(bus, interface, "can0", clock or VirtualClock(100.0), 1.7e9, ())  # type: ignore[arg-type]
