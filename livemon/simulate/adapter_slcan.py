"""A CAN-over-serial adapter (slcan: frames as ASCII lines), a simulated bus behind it. No I/O, no clock."""

from __future__ import annotations

from heapq import heappop, heappush
from math import inf
from typing import Final

from livemon.records import Frame
from livemon.simulate.adapter import Unit

# Bit-rate commands S0 to S8 of the slcan line protocol, kbit/s (as in the Linux slcan driver).
KBIT: Final = (10, 20, 50, 100, 125, 250, 500, 800, 1000)
OK: Final = b"\r"
ERROR: Final = b"\a"


class Slcan:
    """Same shape as Adapter: bytes in at a time, bytes out when due. `broadcast` puts a frame on the bus."""

    def __init__(self, unit: Unit, *, baud: int = 115200, bus_kbit: int = 500) -> None:
        self.baud = baud
        self.is_open = False
        self.noise = b""  # bytes that come out before the next frame
        self.sent: list[Frame] = []  # what the program put on the bus, for tests
        self._unit = unit
        self._bus_kbit = bus_kbit
        self._kbit = bus_kbit
        self._listens = False
        self._typed = bytearray()
        self._out = bytearray()
        self._bus: list[tuple[float, int, Frame]] = []
        self._order = 0

    @property
    def due_s(self) -> float | None:
        due_s = min(self._unit.next_s, self._bus[0][0] if self._bus else inf)
        return 0.0 if self._out else due_s if due_s < inf else None

    def broadcast(self, frame: Frame, due_s: float) -> None:
        self._order += 1
        heappush(self._bus, (due_s, self._order, frame))

    def receive(self, data: bytes, now_s: float) -> None:
        for byte in data:
            if byte == 0x0D:
                line = self._typed.decode("latin-1")
                self._typed.clear()
                self._out += self._obey(line, now_s)
            else:
                self._typed.append(byte)

    def transmit(self, now_s: float) -> bytes:
        for answer in self._unit.emit(now_s):
            self.broadcast(answer, answer.time_s)
        while self._bus and self._bus[0][0] <= now_s:
            frame = heappop(self._bus)[2]
            if self.is_open and self._kbit == self._bus_kbit:
                header = f"T{frame.can_id:08X}" if frame.extended else f"t{frame.can_id:03X}"
                line = f"{header}{len(frame.data)}{frame.data.hex().upper()}\r"
                self._out += self.noise + line.encode("ascii")
                self.noise = b""
        out = bytes(self._out)
        self._out.clear()
        return out

    def _obey(self, line: str, now_s: float) -> bytes:
        match line[:1]:
            case "S" if line[1:].isdecimal() and int(line[1:]) < len(KBIT) and not self.is_open:
                self._kbit = KBIT[int(line[1:])]
            case "O" | "L":
                self.is_open, self._listens = True, line == "L"
            case "C":
                self.is_open = False
            case "t" | "T" if self.is_open and not self._listens:
                return self._send(line, now_s)
            case "Y" | "V" | "N" | "":
                pass
            case _:
                return ERROR
        return OK

    def _send(self, line: str, now_s: float) -> bytes:
        extended = line[0] == "T"
        digits = 8 if extended else 3
        try:
            can_id, length = int(line[1 : 1 + digits], 16), int(line[1 + digits])
            data = bytes.fromhex(line[2 + digits :])
        except (ValueError, IndexError):
            return ERROR
        if len(data) != length:
            return ERROR
        frame = Frame(now_s, can_id, extended, data)
        self.sent.append(frame)
        if self._kbit == self._bus_kbit:
            self._unit.receive(frame, now_s)
        return b"Z\r" if extended else b"z\r"
