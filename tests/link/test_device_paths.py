"""The same over real device paths: pseudo-terminals and a local socket, in real time (kept short)."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

import pytest
import serial

from livemon.cli import main
from livemon.clock import MonotonicClock
from livemon.errors import LinkError
from livemon.permit import permit
from livemon.records import Frame
from livemon.simulate.adapter import Adapter
from livemon.simulate.adapter_faults import Faults
from livemon.simulate.adapter_host import PtyHost, SocketHost
from livemon.simulate.adapter_slcan import Slcan
from livemon.simulate.adapter_unit import ENGINE, VIN, TableUnit
from livemon.sources import serial_open
from livemon.sources.reconnect import Reconnecting
from livemon.sources.serial_open import SerialLink, open_port

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
BAUD = 115200  # shortens the tests


def device(faults: Faults | None = None) -> Adapter:
    return Adapter(TableUnit(ENGINE, delay_s=0.003), faults, baud=BAUD)


@contextmanager
def opened(link: SerialLink) -> Iterator[Any]:
    source = link()
    try:
        yield source
    finally:
        source.close()


def exchange(bench: Any, source: Any, payload: str, count: int) -> list[Frame]:
    """Send an ask; the next `count` frames, however busy the machine is."""
    source.send(permit(bench.ask(payload)))
    until_s = time.monotonic() + 5.0
    frames: list[Frame] = []
    while len(frames) < count and time.monotonic() < until_s:
        frames += [frame] if (frame := source.read(0.1)) else []
    return frames


@pytest.mark.parametrize("host_type", [PtyHost, SocketHost])
def test_asking_over_a_device_path(bench: Any, host_type: type[PtyHost]) -> None:
    with host_type(device()) as host, opened(SerialLink(host.path, BAUD)) as source:
        bench.drain(source, 0.02)
        before_s = time.time()
        frames = exchange(bench, source, "0902", 4)
        assert b"".join(f.data[1:] for f in frames[1:])[1:].startswith(b"\x49\x02\x01" + VIN)
        assert before_s - 0.01 <= frames[0].time_s <= frames[-1].time_s <= time.time() + 0.01
        for _ in range(3):
            assert [f.can_id for f in exchange(bench, source, "010C", 2)] == [0x7DF, 0x7E8]


def test_the_baud_rate_of_a_real_terminal_is_found(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_open, "RESET_WAIT_S", 0.6)  # a real adapter takes its time
    said: list[str] = []
    with PtyHost(device()) as host, opened(SerialLink(host.path, None, said.append)) as source:
        assert bench.drain(source, 0.02)
    assert any("38400" in s for s in said) and any("115200" in s for s in said)


def test_a_second_program_on_the_port_is_told(bench: Any) -> None:
    with (
        PtyHost(device()) as host,
        opened(SerialLink(host.path, BAUD)),
        pytest.raises(LinkError, match="no other program has it open"),
    ):
        SerialLink(host.path, BAUD)()


def test_a_port_that_is_not_there_is_one_line() -> None:
    for port in ("/dev/no-such-port", "socket://127.0.0.1:1"):
        with pytest.raises(LinkError) as caught:
            SerialLink(port, BAUD)()
        assert "\n" not in str(caught.value) and str(caught.value).count(port) == 1


def test_a_host_that_nobody_knows_is_told_in_the_words_of_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    """Errors of names have numbers below zero, which are none of the operating system's."""

    def unknown(*_: object, **__: object) -> None:
        try:
            raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")
        except OSError as failure:
            raise serial.SerialException(f"Could not open port: {failure}")  # noqa: B904 - as pyserial does

    monkeypatch.setattr(serial, "serial_for_url", unknown)
    with pytest.raises(LinkError, match="got Name or service not known;"):
        open_port("socket://nowhere:35000", BAUD)


@pytest.mark.parametrize("command", ["watch --no-screen", "survey"])
@pytest.mark.parametrize(
    "link",
    [
        "--serial .",
        "--serial /dev/null",
        f"--serial {__file__}",
        "--serial xyz://",
        "--serial socket://",
        "--serial socket://:35000",
        "--serial socket://host",
        "--serial socket://host:99999",
        "--serial socket://[::1",
        "--serial /dev/none --baud 1000000000000",
    ],
)
def test_what_can_never_be_a_link_is_not_waited_for(
    command: str, link: str, capsys: pytest.CaptureFixture[str]
) -> None:
    began_s = time.monotonic()
    assert main([*command.split(), *link.split()]) == 2
    assert time.monotonic() - began_s < 2.0
    told = capsys.readouterr().err.splitlines()
    assert told[-1].startswith("livemon: ")
    assert told[:-1] == [line for line in told if line.endswith("baud")]  # what survey waits for


@pytest.mark.parametrize("host_type", [PtyHost, SocketHost])
def test_a_pulled_plug_is_a_link_error(bench: Any, host_type: type[PtyHost]) -> None:
    with host_type(device()) as host, opened(SerialLink(host.path, BAUD)) as source:
        bench.drain(source, 0.02)
        host.unplug()
        with pytest.raises(LinkError):
            for _ in range(3):
                source.send(permit(bench.ask("010C")))
                bench.drain(source, 0.05)


def test_pulled_and_put_back_at_random_moments(bench: Any, tmp_path: Path) -> None:
    """The device comes back under the same name, as a USB adapter does; the link comes back by itself."""
    random = Random(1)
    name = tmp_path / "adapter"
    host = PtyHost(device()).start()
    name.symlink_to(host.path)
    said: list[str] = []
    clock = MonotonicClock()
    source = Reconnecting(SerialLink(str(name), BAUD, said.append, clock), clock, said.append)
    frames: list[Frame] = []

    def serve_until(answers: int, until_s: float) -> int:
        while answers > 0 and time.monotonic() < until_s:
            if source.connected:
                source.send(permit(bench.ask("010C")))
            while frame := source.read(0.02):
                frames.append(frame)
                answers -= frame.can_id == 0x7E8
        return answers

    try:
        assert serve_until(3, time.monotonic() + 5.0) <= 0
        for _ in range(4):
            serve_until(1000, time.monotonic() + random.uniform(0.0, 0.2))
            host.unplug()
            name.unlink()
            serve_until(1, time.monotonic() + random.uniform(0.05, 0.15))
            assert not source.connected
            host = PtyHost(device()).start()
            name.symlink_to(host.path)
            assert serve_until(3, time.monotonic() + 5.0) <= 0, said
    finally:
        source.close()
        host.stop()
    assert len(source.gaps) == 4 == source.counters["reconnects"]
    stamps = [frame.time_s for frame in frames]
    assert stamps == sorted(stamps)


def test_slcan_over_a_pseudo_terminal_through_python_can() -> None:
    import can

    core = Slcan(TableUnit(ENGINE, delay_s=0.003))
    core.broadcast(Frame(0.0, 0x18FEF100, True, bytes(8)), 0.0)
    with PtyHost(core) as host:
        bus = can.Bus(
            interface="slcan", channel=host.path, bitrate=500_000, sleep_after_open=0.0, ignore_config=True
        )
        try:
            bus.send(
                can.Message(
                    arbitration_id=0x7DF, data=bytes.fromhex("02010C0000000000"), is_extended_id=False
                )
            )
            answer = next(m for _ in range(20) if (m := bus.recv(0.2)) and m.arbitration_id == 0x7E8)
            assert bytes(answer.data) == bytes.fromhex("04410C1AF8555555")
            bus.send(
                can.Message(
                    arbitration_id=0x7DF, data=bytes.fromhex("0209020000000000"), is_extended_id=False
                )
            )
            first = next(m for _ in range(20) if (m := bus.recv(0.2)) and m.arbitration_id == 0x7E8)
            assert first.data[0] == 0x10
            bus.send(
                can.Message(
                    arbitration_id=0x7E0, data=bytes.fromhex("3000000000000000"), is_extended_id=False
                )
            )
            rest = [m for _ in range(2) if (m := bus.recv(2.0))]
            assert [m.data[0] for m in rest] == [0x21, 0x22]
        finally:
            bus.shutdown()
    assert [f.can_id for f in core.sent] == [0x7DF, 0x7DF, 0x7E0]
