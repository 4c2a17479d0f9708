"""The port of a serial adapter, and one request in flight: what is written, what comes, and was it all.

Only two things are ever written to the port: a set-up command of COMMANDS, and the payload of a frame
that passed the outgoing gate. Parsing lives in serial_lines, what one request brought in serial_request.
"""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Callable
from typing import Final, Protocol

from livemon.clock import Clock
from livemon.errors import LinkError, RefusedError
from livemon.permit import Permitted
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


class SerialExchange:
    """Writes requests and takes in the replies. Frames, asks among them as they were written, queue up in
    `frames`. Raises LinkError when the adapter is gone, silent or off the bus.
    """

    def __init__(
        self, port: Port, name: str, clock: Clock, epoch_s: float, say: Callable[[str], None]
    ) -> None:
        self.counters: Counter[str] = Counter()
        self.frames: deque[Frame] = deque()
        self.request = Request("", 0.0, 0.0)  # the last one written
        self.busy = False  # it is in flight: no prompt yet
        self.out_of_step = False  # replies belong to what was written before
        self.set_up_lost = False
        self.echoes = False
        self.troubles = 0
        self.stop: Callable[[], bool] | None = None  # asked at every wait while the adapter is being opened
        self._name = name
        self._say = say
        self._port = port
        self._clock = clock
        self._epoch_s = epoch_s
        self._lines = LineReader()
        self._closed = False
        self._again: Permitted | None = None  # an ask to repeat at once
        self._counts = AnswerCounts()

    def command(self, text: str, wait_s: float = COMMAND_WAIT_S, *, needed: bool = False) -> list[Line]:
        """Send a set-up command and return its reply; one more try when the reply is not OK.

        Raises LinkError when `needed` and the adapter does not say OK, or when the port is gone.
        """
        for attempt in range(3 if needed else 1):
            if attempt:
                self.settle()  # what comes now is not mixed up with the reply to come
            self._put(text, wait_s)
            request = self.request
            while self.busy and self._clock.now_s() < request.deadline_s:
                self.take()
            self.busy = False
            if request.said("ok"):
                break
        else:
            if needed:
                came = " ".join(line.text for line in request.replies if line.text) or "silence"
                raise LinkError(
                    f"OK to {text}", came, self._name, "take the adapter out and plug it in again"
                )
        return request.replies

    def put_ask(self, ask: Permitted, wait_s: float = ANSWER_WAIT_S, repeats: bool = False) -> None:
        """Write an ask; the one before must be finished."""
        key = ask_of(ask.frame)
        self._put(key[1].hex().upper(), wait_s, ask, self._counts.digit(key), repeats)
        time_s = self._epoch_s + self.request.written_s
        self.frames.append(ask.frame._replace(time_s=time_s, data=ask.frame.data.ljust(8, b"\0")))

    def finish(self) -> None:
        """Wait for the prompt of the request in flight, if there is one; bounded."""
        while self.busy:
            if not self.resynchronise_if_overdue():
                self.take()

    def resynchronise_if_overdue(self) -> bool:
        """Whether the prompt was lost. A harmless command brings one from an adapter that is still there."""
        if not self.busy or self._clock.now_s() < self.request.deadline_s:
            return False
        self.counters["missed_prompts"] += 1
        self.settle()
        self.command("ATE0", needed=True)
        return True

    def settle(self) -> None:
        """Read until nothing comes for 50 ms: replies to what was written before are over."""
        self.busy = self.out_of_step = False
        until_s = self._clock.now_s() + COMMAND_WAIT_S
        while self.take() and self._clock.now_s() < until_s:
            pass

    def take(self, wait: bool = True) -> bool:
        """Take in what has arrived, waiting up to 50 ms for the first byte. False when nothing came."""
        if self._closed:
            raise self._lost("a closed port")
        if self.stop is not None and self.stop():
            raise LinkError("time to open the adapter", "the order to stop", self._name, "start again")
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
            self.put_ask(again, repeats=True)
        return bool(data)

    def close(self) -> None:
        """Let go of the port. Safe to call twice."""
        if not self._closed:
            self._closed = True
            forgotten = getattr(self._port, "_socket", None)  # by pyserial, when the peer went first
            self._port.close()
            if forgotten is not None:
                forgotten.close()

    def _put(
        self, text: str, wait_s: float, ask: Permitted | None = None, digit: str = "", repeats: bool = False
    ) -> None:
        """The one place that writes to the port.

        The blank in front means nothing to an adapter that is ready; one that is still busy takes the first
        character as the order to stop and drops it, and what follows must not be half an ask.
        """
        if ask is None and not COMMANDS.fullmatch(text):
            raise RefusedError("a set-up command", text, self._name, "report this as a bug")
        self._lines.clear()  # noise behind the last prompt is not part of the reply to come
        try:
            self._port.write(f" {text}{digit}\r".encode("ascii"))
        except OSError as problem:
            raise self._lost(problem) from problem
        self.request = Request(text + digit, self._clock.now_s(), wait_s, ask, digit, repeats)
        self.busy = True

    def _handle(self, line: Line, now_s: float) -> None:
        request, kind = self.request, line.kind
        if kind == "prompt":
            if request.heard and self.busy:
                self.busy = False
                self._conclude(request)
            return
        if line.text and line.text == request.text:  # echo, from an adapter that was told not to
            request.heard = True
            self.set_up_lost = self.set_up_lost or not self.echoes
            return
        request.take(line, now_s)
        if kind == "frame":
            self.frames.append(Frame(self._epoch_s + now_s, line.can_id, line.extended, line.data))
            self.troubles = 0
            if request.ask and line.data[1:2] == b"\x7f" and line.data[3:4] == b"\x78":
                self._counts.never_limit(ask_of(request.ask.frame))  # "pending": the answer proper follows
            return
        if kind in COUNTED:
            self.counters[kind] += 1
        if kind in ("headerless", "low_voltage"):  # cranking pulls the voltage down: all is forgotten
            self.set_up_lost = True
        if request.ask and kind in ("ok", "stopped"):
            self.out_of_step = True
        if request.ask and kind == "not_understood":
            self._counts.refuse()
        if kind == "buffer_full" and self.counters[kind] == 1:
            self._say(f"{self._name}: the adapter's buffer was full: answers lost; try a higher --baud")
        self.troubles += kind in TROUBLES
        if self.troubles >= TROUBLES_IN_A_ROW:
            raise LinkError(
                "answers from the vehicle",
                f"{line.text} {self.troubles} times in a row",
                self._name,
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
        return LinkError("a working adapter", f"{problem}", self._name, "check cable, plug and pairing")
