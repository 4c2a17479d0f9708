"""Puts a simulated adapter where a program can open it: in-process, on a pseudo-terminal, on a local socket.

`InlinePort` has no thread: reading it is what makes the adapter's time pass. `PtyHost` and `SocketHost`
run a helper thread between start() and stop(), for tests with the real device paths and for a user to try.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
import threading
import time
from typing import Final, Protocol, Self

from livemon.clock import VirtualClock

IDLE_S: Final = 0.05


class Device(Protocol):
    """An adapter core: Adapter or Slcan."""

    baud: int

    @property
    def due_s(self) -> float | None: ...
    def receive(self, data: bytes, now_s: float, /) -> None: ...
    def transmit(self, now_s: float, /) -> bytes: ...


class InlinePort:
    """A serial port in the same process on a virtual clock: `read` waits by moving it, at most 50 ms."""

    def __init__(self, device: Device, clock: VirtualClock, baud: int = 38400) -> None:
        self.written = bytearray()
        self.unplugged_s: float | None = None  # when the plug is pulled
        self._device = device
        self._clock = clock
        self._garbles = baud != device.baud
        self._arrived = bytearray()

    @property
    def in_waiting(self) -> int:
        self._arrive()
        return len(self._arrived)

    def read(self, size: int) -> bytes:
        until_s = self._clock.now_s() + IDLE_S
        self._arrive()
        while not self._arrived and (now_s := self._clock.now_s()) < until_s:
            due_s = self._device.due_s
            self._clock.sleep(max(1e-6, min(until_s, due_s if due_s is not None else until_s) - now_s))
            self._arrive()
        data = bytes(self._arrived[:size])
        del self._arrived[:size]
        return data

    def write(self, data: bytes) -> int:
        self._check_plug()
        self.written += data
        self._device.receive(_garbled(data) if self._garbles else data, self._clock.now_s())
        return len(data)

    def close(self) -> None:
        self._arrived.clear()

    def _check_plug(self) -> None:
        if self.unplugged_s is not None and self._clock.now_s() >= self.unplugged_s:
            raise OSError(5, "the port is gone")

    def _arrive(self) -> None:
        self._check_plug()
        data = self._device.transmit(self._clock.now_s())
        self._arrived += _garbled(data) if self._garbles else data


def _garbled(data: bytes) -> bytes:
    """What a byte stream looks like at the wrong baud rate: most bytes are nonsense."""
    return bytes(byte * 167 + 89 & 0xFF for byte in data)


class Host:
    """Serves a device from a helper thread. `unplug` closes its end as pulling the plug would."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self._thread: threading.Thread | None = None
        self._running = threading.Event()

    def start(self) -> Self:
        """Open and serve until `stop`."""
        self._open()
        self._running.set()
        self._thread = threading.Thread(target=self._serve, name="simulated adapter", daemon=True)
        self._thread.start()
        return self

    def stop(self) -> None:
        """End the thread and close. Safe to call twice."""
        self._running.clear()
        if self._thread:
            self._thread.join()
            self._thread = None
            self._close()

    unplug = stop

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _serve(self) -> None:
        while self._running.is_set():
            now_s = time.monotonic()
            due_s = self.device.due_s
            wait_s = IDLE_S if due_s is None else min(IDLE_S, max(0.0, due_s - now_s))
            data = self._read(wait_s)
            now_s = time.monotonic()
            if data:
                self.device.receive(data, now_s)
            if out := self.device.transmit(now_s):
                self._write(out)

    def _open(self) -> None:
        raise NotImplementedError

    def _close(self) -> None:
        raise NotImplementedError

    def _read(self, wait_s: float) -> bytes:
        raise NotImplementedError

    def _write(self, data: bytes) -> None:
        raise NotImplementedError


class PtyHost(Host):
    """On a pseudo-terminal; `path` is what to open. The program's baud rate must be the device's."""

    path = ""

    def _open(self) -> None:
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)  # kept open, so that the line survives a program that closes it
        self.path = os.ttyname(self._slave)

    def _close(self) -> None:
        os.close(self._slave)
        os.close(self._master)

    def _wrong_baud(self) -> bool:
        import termios

        code = getattr(termios, f"B{self.device.baud}", None)
        return code is not None and termios.tcgetattr(self._master)[4] != code

    def _read(self, wait_s: float) -> bytes:
        if not select.select([self._master], [], [], wait_s)[0]:
            return b""
        data = os.read(self._master, 4096)
        return _garbled(data) if self._wrong_baud() else data

    def _write(self, data: bytes) -> None:
        os.write(self._master, _garbled(data) if self._wrong_baud() else data)


class SocketHost(Host):
    """On a TCP port of 127.0.0.1; `path` is the URL to open. One program at a time."""

    path = ""

    def _open(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._client: socket.socket | None = None
        self.path = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def _close(self) -> None:
        if self._client:
            self._client.close()
        self._listener.close()

    def _read(self, wait_s: float) -> bytes:
        watched = self._client or self._listener
        if not select.select([watched], [], [], wait_s)[0]:
            return b""
        if self._client is None:
            self._client = self._listener.accept()[0]
            return b""
        try:
            data = self._client.recv(4096)
        except ConnectionError:
            data = b""
        if not data:
            self._client.close()
            self._client = None
        return data

    def _write(self, data: bytes) -> None:
        if self._client:
            with contextlib.suppress(ConnectionError):
                self._client.sendall(data)


def main() -> int:
    """Serve a simulated vehicle on a pseudo-terminal until interrupted; prints the path for --serial."""
    import argparse

    from livemon.simulate.adapter import Adapter
    from livemon.simulate.adapter_faults import Faults
    from livemon.simulate.adapter_vehicle import VehicleUnit
    from livemon.simulate.scenario import draw

    parser = argparse.ArgumentParser(prog="python -m livemon.simulate.adapter", description=main.__doc__)
    parser.add_argument("--fault", default="none", help="what is wrong with the vehicle (a finding's name)")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--noise", type=float, default=0.0, help="probability of noise in a line")
    parser.add_argument("--socket", action="store_true", help="on a socket of 127.0.0.1 instead")
    options = parser.parse_args()
    unit = VehicleUnit(draw(options.fault, options.seed))
    adapter = Adapter(unit, Faults(seed=options.seed, noise=options.noise))
    with (SocketHost if options.socket else PtyHost)(adapter) as host, contextlib.suppress(KeyboardInterrupt):
        sys.stdout.write(f"livemon watch --serial {host.path} --baud {adapter.baud}\n")
        sys.stdout.flush()
        while True:
            time.sleep(1.0)
    return 0
