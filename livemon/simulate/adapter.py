"""A serial adapter that takes AT commands, a simulated control unit behind it. No port, no clock of its own.

`python -m livemon.simulate.adapter` puts one on a pseudo-terminal and prints its path to give to --serial.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from heapq import heappop, heappush
from typing import Final, Protocol

from livemon.identifiers import FUNCTIONAL, tester_id
from livemon.records import Frame
from livemon.simulate.adapter_faults import Faults

BANNER: Final = "SIMULATED SERIAL ADAPTER"
# Number: (29-bit identifiers, kbit/s).
PROTOCOLS: Final = {"6": (False, 500), "7": (True, 500), "8": (False, 250), "9": (True, 250)}
RESET_S: Final = 0.1
COMMAND_S: Final = 0.002
SHORTEST_WAIT_S: Final = 0.03  # what adaptive timing shrinks the wait for further answers to


class Unit(Protocol):
    """Whatever answers on the simulated bus, as ControlUnit does."""

    @property
    def next_s(self) -> float: ...
    def receive(self, frame: Frame, now_s: float, /) -> None: ...
    def emit(self, now_s: float, /) -> list[Frame]: ...


class Adapter:
    """Bytes in at a time, bytes out when due, like a serial line at `baud` would carry them.

    `receive(data, now_s)` takes what the program wrote; `transmit(now_s)` gives what has left the adapter
    by now; `due_s` is when something will happen next, None when nothing is under way.
    """

    def __init__(
        self, unit: Unit, faults: Faults | None = None, *, baud: int = 38400, bus_kbit: int = 500
    ) -> None:
        self.baud = baud
        self.ignition = True
        self.heard: list[str] = []  # every line received, for tests
        self._unit = unit
        self._faults = faults or Faults()
        self._bus_kbit = bus_kbit
        self._typed = bytearray()
        self._out: list[tuple[float, int, bytes]] = []
        self._line_free_s = 0.0
        self._order = 0
        self._payload = b""
        self._tries: list[str] = []
        self._trying = ""
        self._waiting = False  # an ask is on the bus
        self._until_s = 0.0
        self._left = 0
        self._answers = 0
        self._defaults()

    def _defaults(self) -> None:
        self.echo, self.headers, self.spaces, self.line_feeds = True, False, True, False
        self._protocol, self._found, self._header, self._timeout_s = "0", "", 0, 0.2

    # ---- the wire side

    @property
    def due_s(self) -> float | None:
        times = [self._until_s, self._unit.next_s] if self._waiting else []
        return min([*times, self._out[0][0]] if self._out else times, default=None)

    def receive(self, data: bytes, now_s: float) -> None:
        """Take in bytes from the program. Anything typed while an ask is on the bus stops it."""
        if self._faults.dead:
            return
        for byte in data:
            if self._waiting:
                self._finish("STOPPED", now_s)
                continue
            if byte != 0x0D:
                self._typed.append(byte)
                continue
            line = self._typed.decode("latin-1").replace(" ", "").strip().upper()
            echo = self._typed + b"\r" if self.echo else b""
            self._typed.clear()
            self._out_at(now_s, bytes(echo))
            self.heard.append(line)
            if not self._faults.strikes(self._faults.silence):
                self._obey(line, now_s + self._faults.random.uniform(0.0, self._faults.slow_s))

    def transmit(self, now_s: float) -> bytes:
        """What has come out of the adapter up to `now_s`."""
        while self._waiting:
            next_s = self._unit.next_s
            if next_s <= min(now_s, self._until_s):
                for frame in self._unit.emit(next_s):
                    if self._waiting:
                        self._answer(frame, frame.time_s)
            elif now_s >= self._until_s:
                self._timed_out(self._until_s)
            else:
                break
        sent = b""
        while self._out and self._out[0][0] <= now_s:
            sent += heappop(self._out)[2]
        return sent

    def _out_at(self, due_s: float, data: bytes) -> None:
        """Queue bytes in pieces as a serial line delivers them: ten bits a byte."""
        free_s = max(due_s, self._line_free_s)
        for start in range(0, len(data), 8):
            piece = data[start : start + 8]
            free_s += 10.0 * len(piece) / self.baud
            self._order += 1
            heappush(self._out, (free_s, self._order, piece))
        self._line_free_s = free_s

    # ---- commands

    def _obey(self, line: str, now_s: float) -> None:
        if self._faults.strikes(self._faults.reset):
            self._reset(now_s)
        elif line.startswith("AT"):
            for pattern, action in _ACTIONS:
                if found := pattern.fullmatch(line[2:]):
                    action(self, found[1] if pattern.groups else "", now_s)
                    return
            self._say("?", now_s)
        elif re.fullmatch("[0-9A-F]{2,15}", line) and not (self._faults.no_count_digit and len(line) % 2):
            self._ask(line, now_s)
        else:
            self._say("?", now_s)

    def _say(self, text: str, now_s: float) -> None:
        self._emit(text, now_s + COMMAND_S)
        self._emit("", now_s + COMMAND_S, ">")

    def _reset(self, now_s: float, _: str = "") -> None:
        self._defaults()
        self._say(f"\r\r{BANNER}", now_s + RESET_S)

    # ---- asks

    def _ask(self, digits: str, now_s: float) -> None:
        self._left = int(digits[-1], 16) if len(digits) % 2 else 0
        payload = bytes.fromhex(digits[: len(digits) // 2 * 2])
        self._payload, self._answers = payload, 0
        self._unit.emit(now_s)  # answers to an ask before that came too late
        self._tries = [self._found or self._protocol]
        if self._tries == ["0"]:
            self._emit("SEARCHING...", now_s)
            self._tries = list(PROTOCOLS)
        self._try(now_s)
        if self._faults.strikes(self._faults.bus_trouble):
            self._finish("CAN ERROR", now_s)

    def _try(self, now_s: float) -> None:
        """Put the ask on the bus in the next protocol that is to be tried."""
        self._trying = self._tries.pop(0)
        extended, kbit = PROTOCOLS[self._trying]
        can_id = self._header or FUNCTIONAL[extended]
        data = bytes([len(self._payload), *self._payload]).ljust(8, b"\0")
        if self.ignition and kbit == self._bus_kbit:
            self._unit.receive(Frame(now_s, can_id, extended, data), now_s)
        self._waiting, self._until_s = True, now_s + self._timeout_s

    def _timed_out(self, now_s: float) -> None:
        if self._tries and not self._answers:
            self._try(now_s)
        else:
            self._finish("" if self._answers else self._nothing(), now_s)

    def _nothing(self) -> str:
        protocol = self._found or self._protocol
        if protocol == "0":
            return "UNABLE TO CONNECT"
        return "NO DATA" if self.ignition and PROTOCOLS[protocol][1] == self._bus_kbit else "CAN ERROR"

    def _answer(self, frame: Frame, now_s: float) -> None:
        shown = self._shown(frame)
        self._answers += 1
        self._found = self._trying
        self._until_s = now_s + max(SHORTEST_WAIT_S, self._timeout_s / 4)
        if self._faults.strikes(self._faults.buffer_full):
            self._emit(shown[: len(shown) // 2], now_s)
            self._finish("BUFFER FULL", now_s)
            return
        self._emit(shown, now_s)
        if frame.data[0] >> 4 == 1:  # a first frame: the adapter does flow control by itself
            can_id = tester_id(frame.can_id, frame.extended)
            self._unit.receive(Frame(now_s, can_id, frame.extended, b"\x30".ljust(8, b"\0")), now_s)
        if self._answers == self._left:
            self._finish("", now_s)

    def _shown(self, frame: Frame) -> str:
        data = frame.data
        if not self.headers:
            data = data[1 : 1 + (data[0] & 0xF)] if data[0] >> 4 == 0 else data[1:]
            header = []
        elif frame.extended:
            header = re.findall("..", f"{frame.can_id:08X}")
        else:
            header = [f"{frame.can_id:03X}"]
        return (" " if self.spaces else "").join([*header, *(f"{byte:02X}" for byte in data)])

    def _emit(self, text: str, now_s: float, end: str = "") -> None:
        line_end = "\r\n" if self.line_feeds else "\r"
        self._out_at(now_s, self._faults.damage(f"{text}{line_end}{end}".encode("ascii")))

    def _finish(self, text: str, now_s: float) -> None:
        self._waiting = False
        if text:
            self._emit(text, now_s)
        self._emit("", now_s, ">")

    # ---- settings

    def _set(self, name: str, value: str, now_s: float) -> None:
        setattr(self, name, value == "1" or (name == "echo" and self._faults.echo_stays_on))
        self._say("OK", now_s)

    def _choose_protocol(self, value: str, now_s: float) -> None:
        self._protocol, self._found, self._header = value, "", 0
        self._say("OK", now_s)

    def _choose_header(self, value: str, now_s: float) -> None:
        self._header = int(value, 16) | (0x18000000 if len(value) == 6 else 0)
        self._say("OK", now_s)

    def _choose_timeout(self, value: str, now_s: float) -> None:
        self._timeout_s = int(value, 16) * 0.004
        self._say("OK", now_s)

    def _tell_protocol(self, _: str, now_s: float) -> None:
        self._say(f"A{self._found}" if self._protocol == "0" else self._protocol, now_s)


_Action = Callable[[Adapter, str, float], None]


def _switch(name: str) -> _Action:
    return lambda adapter, value, now_s: adapter._set(name, value, now_s)


_ACTIONS: Final[tuple[tuple[re.Pattern[str], _Action], ...]] = (
    (re.compile("Z|WS"), lambda adapter, value, now_s: adapter._reset(now_s)),
    (re.compile("E([01])"), _switch("echo")),
    (re.compile("H([01])"), _switch("headers")),
    (re.compile("S([01])"), _switch("spaces")),
    (re.compile("L([01])"), _switch("line_feeds")),
    (re.compile("SP([06789])"), Adapter._choose_protocol),
    (re.compile("SH([0-9A-F]{3}|[0-9A-F]{6})"), Adapter._choose_header),
    (re.compile("ST([0-9A-F]{2})"), Adapter._choose_timeout),
    (re.compile("DPN"), Adapter._tell_protocol),
    (re.compile("I"), lambda adapter, value, now_s: adapter._say(BANNER, now_s)),
    (re.compile("M[01]|CAF[01]|CFC[01]|AL|AT[012]"), lambda adapter, value, now_s: adapter._say("OK", now_s)),
)


if __name__ == "__main__":
    from livemon.simulate.adapter_host import main

    raise SystemExit(main())
