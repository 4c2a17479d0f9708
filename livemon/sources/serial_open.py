"""Opening a serial adapter: baud rates and protocols tried in turn, the waiting said aloud.

The only file that imports pyserial, and only when a port is opened.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import urlsplit

from livemon.clock import Clock, MonotonicClock
from livemon.errors import LinkError, LivemonError, UsageError
from livemon.records import LinkNews
from livemon.sources.serial_adapter import SerialAdapter
from livemon.sources.serial_exchange import Port

# Common rates of USB and Bluetooth adapters, most frequent first (common practice, no source).
BAUDS: Final = (38400, 115200, 9600, 500000, 57600, 230400)
PORT_TIMEOUT_S: Final = 0.05
RESET_WAIT_S: Final = 1.5
SEARCH_WAIT_S: Final = 8.0  # the adapter tries every protocol it knows
TRY_WAIT_S: Final = 2.0
# 0 lets the adapter search; then the CAN protocols of ISO 15765-4 by name, as some searches miss them.
PROTOCOLS: Final = ("0", "6", "8", "7", "9")


def open_port(url: str, baud: int) -> Port:
    """A pyserial port for a device name or a URL such as socket://127.0.0.1:35000. Raises LinkError."""
    import serial

    try:
        port: Port = serial.serial_for_url(
            url, baudrate=baud, timeout=PORT_TIMEOUT_S, write_timeout=1.0, exclusive=True
        )
    except Exception as problem:  # OSError, ValueError, termios.error, what a URL handler raises
        raise LinkError(
            "a free serial port",
            _system_said(problem)[1],
            url,
            "check the name, the cable, your right to use it, and that no other program has it open",
        ) from problem
    return port


def _system_said(problem: BaseException) -> tuple[int, str]:
    """Number and words of the system's own error, which pyserial wraps; else 0 and what it says itself."""
    for error in (problem.__context__, problem):
        if error is not None and len(error.args) == 2 and isinstance(error.args[0], int):
            return error.args[0], str(error.args[1])
    return 0, str(problem)


def _mistake(url: str, problem: BaseException) -> str:
    """Why no waiting will make a port of this; "" where it may still come."""
    if url.lower().startswith(("socket://", "rfc2217://")):
        try:
            parts = urlsplit(url)
            return "" if parts.hostname and parts.port else "no host or no port in it"
        except ValueError as wrong:
            return str(wrong)
    if "://" in url and isinstance(problem, ValueError):  # a protocol that pyserial does not know
        return str(problem)
    number, _ = _system_said(problem)
    return {errno.EISDIR: "a directory", errno.ENOTTY: "what is no serial port"}.get(number, "")


@dataclass(slots=True)
class SerialLink:
    """Opens the adapter on `port` each time it is called; the second time with what worked the first time.

    All adapters it makes count time from one anchor, so a wall clock that steps in between does no harm.
    `say` gets one sentence for every wait a user would otherwise wonder about. `stop` ends an opening early.
    """

    port: str
    baud: int | None = None
    say: Callable[[str], None] = lambda sentence: None
    clock: Clock = field(default_factory=MonotonicClock)
    open_port: Callable[[str, int], Port] = open_port
    epoch_s: float | None = None  # what to add to the clock; found at the first opening
    stop: Callable[[], bool] = lambda: False
    _baud_found: int | None = None
    _protocol_found: str = ""

    def __call__(self) -> SerialAdapter:
        """Open, set up and find the vehicle. Raises LinkError within about 20 s when one of them fails,
        UsageError when the name can never be that of a port.
        """
        if self.epoch_s is None:
            self.epoch_s = time.time() - self.clock.now_s()
        adapter = self._find_adapter()
        try:
            self._find_vehicle(adapter)
        except LivemonError:
            adapter.close()
            raise
        adapter.exchange.stop = None
        return adapter

    def _find_adapter(self) -> SerialAdapter:
        bauds: tuple[int, ...] = (self.baud,) if self.baud else BAUDS
        if self.port.startswith(("socket://", "rfc2217://")):
            bauds = bauds[:1]
        if self._baud_found:
            bauds = (self._baud_found,)
        for baud in bauds:
            rate = f"{baud} baud"
            self.say(LinkNews(f"{self.port}: waiting for the adapter at {rate}"))
            adapter = SerialAdapter(self._open(baud), self.port, self.clock, self.epoch_s or 0.0, self.say)
            adapter.exchange.stop = self.stop
            try:
                if self._answers(adapter, patient=len(bauds) == 1):
                    adapter.set_up()
                    self._baud_found = baud
                    return adapter
            except LivemonError:
                adapter.close()
                raise
            adapter.close()
        raise LinkError(
            "an adapter that takes AT commands",
            "silence or noise at " + ", ".join(str(baud) for baud in bauds) + " baud",
            self.port,
            "check the port and the adapter's power, or give its rate with --baud",
        )

    def _open(self, baud: int) -> Port:
        """The port. What never was one and never will be is wrong usage, not a link to wait for."""
        try:
            return self.open_port(self.port, baud)
        except LinkError as failure:
            problem = failure.__cause__ or failure
            if not self._baud_found and (came := _mistake(self.port, problem)):
                expected = "a serial port or socket://HOST:PORT"
                raise UsageError(expected, came, self.port, "correct --serial") from None
            raise

    def _answers(self, adapter: SerialAdapter, *, patient: bool) -> bool:
        adapter.command("ATE0")  # ends whatever the adapter was doing
        adapter.settle()
        for reset in ("ATWS", "ATZ"):  # the first keeps the adapter's baud rate, but not all know it
            replies = adapter.command(reset, RESET_WAIT_S)
            adapter.settle()
            replies += adapter.command("ATE0")
            if any(line.kind == "ok" for line in replies):
                return True
            if not patient and all(line.kind == "garbled" for line in replies):
                break
        return False

    def _find_vehicle(self, adapter: SerialAdapter) -> None:
        came = "none"
        for protocol in self._protocol_found or PROTOCOLS:
            if protocol == "0":
                self.say(LinkNews(f"{self.port}: adapter ready; searching for the vehicle's protocol"))
            if adapter.search(protocol, SEARCH_WAIT_S if protocol == "0" else TRY_WAIT_S):
                self._protocol_found = adapter.protocol
                bits = 29 if adapter.extended else 11
                self.say(LinkNews(f"{self.port}: vehicle found ({bits}-bit identifiers)"))
                return
            if protocol == "0" and (number := adapter.protocol_number()) and number in "12345":
                came = f"a vehicle on an older bus (protocol {number} of the adapter)"
        raise LinkError(
            "an answer of the vehicle on CAN (ISO 15765-4)",
            came,
            self.port,
            "switch the ignition on, check the plug, and that the vehicle has CAN on the OBD connector",
        )
