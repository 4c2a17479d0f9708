"""A serial adapter that takes AT commands and answers in hex, as a source: set up, protocol found, asked.

The adapter adds the ISO-TP length byte and does flow control by itself. What is written to the port and
what comes back is serial_exchange; opening and searching is serial_open.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from typing import Final

from livemon.clock import Clock
from livemon.errors import RefusedError
from livemon.identifiers import FUNCTIONAL, is_answer
from livemon.permit import Permitted, permit
from livemon.records import Frame
from livemon.sources.serial_exchange import COMMAND_WAIT_S, Port, SerialExchange
from livemon.sources.serial_lines import Line

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
        self._say = say
        self._clock = clock
        self.exchange = SerialExchange(port, name, clock, epoch_s, say)
        self._header = 0  # the tester's identifier the adapter was told, 0 when it was not

    @property
    def counters(self) -> Counter[str]:
        return self.exchange.counters

    # ---- Source

    def read(self, timeout_s: float) -> Frame | None:
        """The next ask or answer. Raises LinkError when the adapter is gone, silent or off the bus."""
        exchange = self.exchange
        until_s = self._clock.now_s() + timeout_s
        while not exchange.frames:
            if exchange.resynchronise_if_overdue():
                continue
            exchange.take(wait=timeout_s > 0.0)
            if not exchange.frames and self._clock.now_s() >= until_s:
                return None
        return exchange.frames.popleft()

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
        exchange = self.exchange
        exchange.finish()
        if exchange.out_of_step:
            self.settle()
        if exchange.set_up_lost:
            self.counters["adapter_resets"] += 1
            self._say(f"{self.name}: the adapter was reset; setting it up again")
            self.set_up()
        if ask.frame.can_id != self._header:
            text = f"{ask.frame.can_id & 0xFFFFFF:06X}" if self.extended else f"{ask.frame.can_id:03X}"
            self.command("ATSH" + text, needed=True)
            self._header = ask.frame.can_id
        exchange.put_ask(ask)

    def close(self) -> None:
        """Let go of the port. Safe to call twice."""
        self.exchange.close()

    # ---- set-up, used by serial_open and after the adapter has forgotten it

    def command(self, text: str, wait_s: float = COMMAND_WAIT_S, *, needed: bool = False) -> list[Line]:
        """Send a set-up command and return its reply; see SerialExchange."""
        return self.exchange.command(text, wait_s, needed=needed)

    def settle(self) -> None:
        """Let the replies to what was written before come to their end."""
        self.exchange.settle()

    def set_up(self) -> None:
        """Bring the adapter to the state that `read` and `send` count on."""
        exchange = self.exchange
        self._header = 0
        exchange.echoes = False
        for command, needed in SET_UP:
            exchange.set_up_lost = False
            self.command(command, needed=needed)
        if exchange.set_up_lost:  # it echoes although told not to: live with it
            exchange.echoes, exchange.set_up_lost = True, False
        if self.protocol:
            self.command("ATSP" + self.protocol, needed=True)

    def search(self, protocol: str, wait_s: float) -> bool:
        """Choose a protocol (one of "06789") and ask for the supported PIDs; True when an answer came.

        The ask and its answers stay in line for `read`.
        """
        exchange = self.exchange
        frames = exchange.frames
        self.command("ATSP" + protocol, needed=True)
        self.extended = protocol in "79"
        functional = FUNCTIONAL[self.extended]
        self._header = functional  # what the adapter uses by itself after a change of protocol
        supported = Frame(0.0, functional, self.extended, bytes.fromhex("0201000000000000"))
        for _ in range(3):
            exchange.put_ask(permit(supported), wait_s)
            exchange.finish()
            if not exchange.request.said("ok", "not_understood", "stopped"):
                break
            frames.clear()
            self.settle()
        exchange.troubles = 0
        answers = [frame for frame in frames if is_answer(frame.can_id, frame.extended)]
        if not answers:
            frames.clear()
            return False
        self.extended = answers[-1].extended
        for at, frame in enumerate(frames):
            if frame.can_id == functional:  # the adapter may have found the other addressing
                frames[at] = frame._replace(can_id=FUNCTIONAL[self.extended], extended=self.extended)
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
