"""A serial adapter that takes AT commands and answers in hex: the port, and one request in flight.

Only two things are ever written to the port: a set-up command of COMMANDS, and the payload of a frame
that passed the outgoing gate. The adapter adds the ISO-TP length byte and does flow control by itself.
Parsing lives in serial_lines, opening and searching in serial_open.
"""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Callable
from typing import Final, Protocol

from livemon.clock import Clock
from livemon.errors import LinkError, RefusedError
from livemon.permit import Permitted, permit
from livemon.records import Frame
from livemon.sources.serial_counts import AnswerCounts, ask_of
from livemon.sources.serial_lines import Kind, Line, LineReader
from livemon.sources.serial_request import Request

# Set-up of the adapter itself; nothing here reaches the vehicle except that a protocol search asks 0100.
COMMANDS: Final = re.compile(
    "ATWS|ATZ"  # start anew, keeping or dropping the baud rate
    "|ATE0|ATL0|ATS0|ATH1"  # echo, line feeds and blanks off, headers on
    "|ATM0"  # do not store the protocol in the adapter
    "|ATCAF1|ATCFC1|ATAL"  # length bytes and flow control by the adapter, long messages
    "|ATAT1|ATST[0-9A-F]{2}"  # adaptive timing, and its ceiling in units of 4 ms
    "|ATSP[06789]|ATDPN"  # protocol: 0 search, 6-9 CAN (11 or 29 bit, 500 or 250 kbit/s); ask which it is
    "|ATSH(7DF|7E[0-7]|DB33F1|DA[0-9A-F]{2}F1)"  # the tester identifiers of ISO 15765-4
)
SET_UP: Final = (  # (command, whether watching is impossible without it)
    ("ATE0", True),
    ("ATL0", False),
    ("ATS0", False),
    ("ATH1", True),
    ("ATM0", False),
    ("ATCAF1", False),
    ("ATCFC1", False),
    ("ATAT1", False),
    ("ATST32", False),  # 0x32 * 4 ms = 200 ms; ISO 15765-4 gives a control unit 50 ms
)
FUNCTIONAL: Final = {False: 0x7DF, True: 0x18DB33F1}
COMMAND_WAIT_S: Final = 0.7
ANSWER_WAIT_S: Final = 1.2  # time-outs and multi-frame answers fit in; after that the prompt is lost
TROUBLES_IN_A_ROW: Final = 5  # asks that end in a bus trouble before the link counts as lost

TROUBLES: Final[frozenset[Kind]] = frozenset(
    {"can_error", "bus_error", "bus_init_error", "unable_to_connect", "low_voltage", "headerless"}
)
COUNTED: Final[frozenset[Kind]] = TROUBLES | {"no_data", "buffer_full", "stopped", "not_understood"}


class Port(Protocol):
    """What is needed of a serial port; pyserial's has it. `read` returns b"" after at most about 50 ms."""

    @property
    def in_waiting(self) -> int: ...
    def read(self, size: int, /) -> bytes: ...
    def write(self, data: bytes, /) -> int | None: ...
    def close(self) -> None: ...


class SerialAdapter:
    """A Source over an adapter that already talks at the right baud rate; made by serial_open.

    `read` also returns the asks, as frames with the tester's identifier at the time they were written, so
    that a recording holds both sides. Frame times are `epoch_s` plus the monotonic clock.
    """

    def __init__(
        self, port: Port, name: str, clock: Clock, epoch_s: float, say: Callable[[str], None]
    ) -> None:
        self.name = name
        self.protocol = ""  # "6" to "9" once the vehicle has answered
        self.extended = False  # 29-bit identifiers
        self.counters: Counter[str] = Counter()
        self.stop: Callable[[], bool] | None = None  # asked at every wait while the adapter is being opened
        self._say = say
        self._port = port
        self._clock = clock
        self._epoch_s = epoch_s
        self._lines = LineReader()
        self._frames: deque[Frame] = deque()
        self._closed = False
        self._request = Request("", 0.0, 0.0)  # the last one written
        self._busy = False  # it is in flight: no prompt yet
        self._again: Permitted | None = None  # an ask to repeat at once
        self._out_of_step = False  # replies belong to what was written before
        self._header = 0  # the tester's identifier the adapter was told, 0 when it was not
        self._set_up_lost = False
        self._echoes = False
        self._troubles = 0
        self._counts = AnswerCounts()

    # ---- Source

    def read(self, timeout_s: float) -> Frame | None:
        """The next ask or answer. Raises LinkError when the adapter is gone, silent or off the bus."""
        until_s = self._clock.now_s() + timeout_s
        while not self._frames:
            if self._busy and self._clock.now_s() >= self._request.deadline_s:
                self._resynchronise()
                continue
            self._take(wait=timeout_s > 0.0)
            if not self._frames and self._clock.now_s() >= until_s:
                return None
        return self._frames.popleft()

    def send(self, ask: Permitted) -> None:
        """Write the ask as soon as the adapter is ready; when this returns it has been written.

        Waits for the prompt of the ask before (bounded). Flow control is left to the adapter. A functional
        ask goes out in the addressing the vehicle uses; a physical one in the other addressing is dropped.
        """
        if type(ask) is not Permitted:
            raise RefusedError("a frame made by permit()", repr(ask), self.name, "call permit(frame)")
        if ask.frame.data[0] >> 4 == 0x3:
            return
        if ask.frame.extended != self.extended:
            if ask.frame.can_id != FUNCTIONAL[ask.frame.extended]:
                self.counters["asks_not_sent"] += 1
                return
            ask = permit(ask.frame._replace(can_id=FUNCTIONAL[self.extended], extended=self.extended))
        self._finish_request()
        if self._out_of_step:
            self.settle()
        if self._set_up_lost:
            self.counters["adapter_resets"] += 1
            self._say(f"{self.name}: the adapter was reset; setting it up again")
            self.set_up()
        if ask.frame.can_id != self._header:
            text = f"{ask.frame.can_id & 0xFFFFFF:06X}" if self.extended else f"{ask.frame.can_id:03X}"
            self.command("ATSH" + text, needed=True)
            self._header = ask.frame.can_id
        self._put_ask(ask)

    def close(self) -> None:
        """Let go of the port. Safe to call twice."""
        if not self._closed:
            self._closed = True
            forgotten = getattr(self._port, "_socket", None)  # by pyserial, when the peer went first
            self._port.close()
            if forgotten is not None:
                forgotten.close()

    # ---- set-up, used by serial_open and after the adapter has forgotten it

    def set_up(self) -> None:
        """Bring the adapter to the state that `read` and `send` count on."""
        self._header = 0
        self._echoes = False
        for command, needed in SET_UP:
            self._set_up_lost = False
            self.command(command, needed=needed)
        if self._set_up_lost:  # it echoes although told not to: live with it
            self._echoes, self._set_up_lost = True, False
        if self.protocol:
            self.command("ATSP" + self.protocol, needed=True)

    def command(self, text: str, wait_s: float = COMMAND_WAIT_S, *, needed: bool = False) -> list[Line]:
        """Send a set-up command and return its reply; one more try when the reply is not OK.

        Raises LinkError when `needed` and the adapter does not say OK, or when the port is gone.
        """
        for attempt in range(3 if needed else 1):
            if attempt:
                self.settle()  # what comes now is not mixed up with the reply to come
            self._put(text, wait_s)
            request = self._request
            while self._busy and self._clock.now_s() < request.deadline_s:
                self._take()
            self._busy = False
            if request.said("ok"):
                break
        else:
            if needed:
                came = " ".join(line.text for line in request.replies if line.text) or "silence"
                raise LinkError(f"OK to {text}", came, self.name, "take the adapter out and plug it in again")
        return request.replies

    def settle(self) -> None:
        """Read until nothing comes for 50 ms: replies to what was written before are over."""
        self._busy = self._out_of_step = False
        until_s = self._clock.now_s() + COMMAND_WAIT_S
        while self._take() and self._clock.now_s() < until_s:
            pass

    def search(self, protocol: str, wait_s: float) -> bool:
        """Choose a protocol (one of "06789") and ask for the supported PIDs; True when an answer came.

        The ask and its answers stay in line for `read`.
        """
        self.command("ATSP" + protocol, needed=True)
        self.extended = protocol in "79"
        functional = FUNCTIONAL[self.extended]
        self._header = functional  # what the adapter uses by itself after a change of protocol
        supported = Frame(0.0, functional, self.extended, bytes.fromhex("0201000000000000"))
        for _ in range(3):
            self._put_ask(permit(supported), wait_s)
            self._finish_request()
            if not self._request.said("ok", "not_understood", "stopped"):
                break
            self._frames.clear()
            self.settle()
        self._troubles = 0
        answers = [frame for frame in self._frames if frame.can_id not in FUNCTIONAL.values()]
        if not answers:
            self._frames.clear()
            return False
        self.extended = answers[-1].extended
        for at, frame in enumerate(self._frames):
            if frame.can_id == functional:  # the adapter may have found the other addressing
                self._frames[at] = frame._replace(can_id=FUNCTIONAL[self.extended], extended=self.extended)
        self._header = 0
        self.protocol = protocol
        if protocol == "0":  # name it, or the adapter may search again at every silence
            self.protocol = self.protocol_number()
            if self.protocol:
                self.command("ATSP" + self.protocol, needed=True)
        return True

    def protocol_number(self) -> str:
        """The protocol in use as the adapter numbers it; "" when it does not say."""
        for line in self.command("ATDPN"):
            if line.kind == "text" and re.fullmatch("A?[1-9]", line.text):
                return line.text[-1]
        return ""

    # ---- one request in flight

    def _put_ask(self, ask: Permitted, wait_s: float = ANSWER_WAIT_S, repeats: bool = False) -> None:
        key = ask_of(ask.frame)
        self._put(key[1].hex().upper(), wait_s, ask, self._counts.digit(key), repeats)
        time_s = self._epoch_s + self._request.written_s
        self._frames.append(ask.frame._replace(time_s=time_s, data=ask.frame.data.ljust(8, b"\0")))

    def _finish_request(self) -> None:
        while self._busy:
            if self._clock.now_s() >= self._request.deadline_s:
                self._resynchronise()
            else:
                self._take()

    def _resynchronise(self) -> None:
        """No prompt came. A harmless command brings one from an adapter that is still there."""
        self.counters["missed_prompts"] += 1
        self.settle()
        self.command("ATE0", needed=True)

    def _put(
        self, text: str, wait_s: float, ask: Permitted | None = None, digit: str = "", repeats: bool = False
    ) -> None:
        """The one place that writes to the port.

        The blank in front means nothing to an adapter that is ready; one that is still busy takes the first
        character as the order to stop and drops it, and what follows must not be half an ask.
        """
        if ask is None and not COMMANDS.fullmatch(text):
            raise RefusedError("a set-up command", text, self.name, "report this as a bug")
        self._lines.clear()  # noise behind the last prompt is not part of the reply to come
        try:
            self._port.write(f" {text}{digit}\r".encode("ascii"))
        except OSError as problem:
            raise self._lost(problem) from problem
        self._request = Request(text + digit, self._clock.now_s(), wait_s, ask, digit, repeats)
        self._busy = True

    def _take(self, wait: bool = True) -> bool:
        """Take in what has arrived, waiting up to 50 ms for the first byte. False when nothing came."""
        if self._closed:
            raise self._lost("a closed port")
        if self.stop is not None and self.stop():
            raise LinkError("time to open the adapter", "the order to stop", self.name, "start again")
        try:
            waiting = self._port.in_waiting
            data = self._port.read(waiting or 1) if waiting or wait else b""
        except (OSError, TypeError) as problem:  # TypeError: pyserial reading a port that has just gone
            raise self._lost(problem) from problem
        now_s = self._clock.now_s()
        for line in self._lines.feed(data):
            self._handle(line, now_s)
        self.counters["garbled_lines"] = self._lines.garbled
        if self._again is not None:
            again, self._again = self._again, None
            self.counters["asked_again"] += 1
            self._put_ask(again, repeats=True)
        return bool(data)

    def _handle(self, line: Line, now_s: float) -> None:
        request, kind = self._request, line.kind
        if kind == "prompt":
            if request.heard and self._busy:
                self._busy = False
                self._conclude(request)
            return
        if line.text and line.text == request.text:  # echo, from an adapter that was told not to
            request.heard = True
            self._set_up_lost = self._set_up_lost or not self._echoes
            return
        request.take(line, now_s)
        if kind == "frame":
            self._frames.append(Frame(self._epoch_s + now_s, line.can_id, line.extended, line.data))
            self._troubles = 0
            if request.ask and line.data[1:2] == b"\x7f" and line.data[3:4] == b"\x78":
                self._counts.never_limit(ask_of(request.ask.frame))  # "pending": the answer proper follows
            return
        if kind in COUNTED:
            self.counters[kind] += 1
        if kind in ("headerless", "low_voltage"):  # cranking pulls the voltage down: all is forgotten
            self._set_up_lost = True
        if request.ask and kind in ("ok", "stopped"):
            self._out_of_step = True
        if request.ask and kind == "not_understood":
            self._counts.refuse()
        if kind == "buffer_full" and self.counters[kind] == 1:
            self._say(f"{self.name}: the adapter's buffer was full: answers lost; try a higher --baud")
        self._troubles += kind in TROUBLES
        if self._troubles >= TROUBLES_IN_A_ROW:
            raise LinkError(
                "answers from the vehicle",
                f"{line.text} {self._troubles} times in a row",
                self.name,
                "check that the ignition is on and the plug sits firmly",
            )

    def _conclude(self, request: Request) -> None:
        """The prompt is here. An answer spoilt by noise is asked for again, others teach their length."""
        if request.ask is None:
            return
        if request.is_lost_to_noise:
            self._again = request.ask
        elif request.teaches:
            self._counts.learn(ask_of(request.ask.frame), request.digit, request.due_lines)

    def _lost(self, problem: object) -> LinkError:
        return LinkError("a working adapter", f"{problem}", self.name, "check cable, plug and pairing")
