"""The CAN source over python-can: virtual buses, an independent ISO-TP stack as vehicle, failing buses."""

from __future__ import annotations

import os
import pty
import random
import select
import threading
import time
import tty
import uuid
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import can
import isotp
import pytest

from livemon.clock import MonotonicClock, VirtualClock
from livemon.errors import LinkError, RefusedError, UsageError
from livemon.exchange import Exchange
from livemon.obd.decode import Decoder
from livemon.obd.j1939 import J1939Decoder
from livemon.obd.schedule import Schedule
from livemon.permit import Permitted, permit
from livemon.records import Frame, Reading
from livemon.sources.can_bus import CanBus
from livemon.sources.can_open import CanLink
from livemon.sources.candump import Candump
from livemon.store.recorder import Recorder

ASK = permit(Frame(0.0, 0x7DF, False, bytes.fromhex("02010C0000000000")))


@pytest.fixture
def channel() -> str:
    return f"test-{uuid.uuid4()}"


@pytest.fixture
def other(channel: str) -> Iterator[can.BusABC]:
    bus = can.Bus(interface="virtual", channel=channel, ignore_config=True)
    yield bus
    bus.shutdown()


def message(can_id: int, text: str, extended: bool = False, **kind: Any) -> can.Message:
    return can.Message(arbitration_id=can_id, is_extended_id=extended, data=bytes.fromhex(text), **kind)


@pytest.mark.skipif(not Path("/sys/class/net/vcan0").exists(), reason="needs a vcan0 network interface")
def test_both_sides_over_the_kernel() -> None:
    with can.Bus(interface="socketcan", channel="vcan0", ignore_config=True) as other:
        both_sides("socketcan", "vcan0", other)


def test_both_sides_are_read_and_nothing_unwanted(channel: str, other: can.BusABC) -> None:
    both_sides("virtual", channel, other)


def both_sides(interface: str, channel: str, other: can.BusABC) -> None:
    bus = CanLink(interface, channel, masks=Decoder().wanted_masks)()
    bus.send(ASK)
    sent = other.recv(1.0)
    assert sent is not None
    assert (sent.arbitration_id, sent.is_extended_id, bytes(sent.data)) == (0x7DF, False, ASK.frame.data)
    other.send(message(0x316, "00"))
    other.send(message(0x7E8, "04410C1AF8000000"))
    other.send(message(0x7E8, "04410C1AF8000000", extended=True))
    other.send(message(0x18DAF110, "03410D32", extended=True))
    frames = [bus.read(0.5), bus.read(0.5), bus.read(0.5)]
    assert [frame and (frame.can_id, frame.extended) for frame in frames] == [
        *((0x7DF, False), (0x7E8, False), (0x18DAF110, True)),
    ]
    times = [frame.time_s for frame in frames if frame]
    assert times == sorted(times)
    assert abs(times[0] - time.time()) < 5.0
    assert bus.read(0.01) is None
    bus.close()
    bus.close()
    with pytest.raises(LinkError):
        bus.read(0.01)


def test_other_kinds_of_frame_are_dropped_and_counted(channel: str, other: can.BusABC) -> None:
    bus = CanLink("virtual", channel)()
    for _ in range(3):
        other.send(can.Message(is_error_frame=True))
    other.send(can.Message(arbitration_id=0x7E8, is_remote_frame=True, dlc=8, is_extended_id=False))
    other.send(message(0x7E8, "00" * 12, is_fd=True))
    other.send(message(0x7E8, "03410D32"))
    frame = bus.read(0.5)
    assert frame is not None
    assert frame.data == bytes.fromhex("03410D32")
    assert bus.counters == {"error_frames": 3, "remote_frames": 1, "fd_frames": 1}
    bus.close()


def test_nothing_but_permitted_frames_leaves(channel: str, other: can.BusABC) -> None:
    listener = CanLink("virtual", channel, listen_only=True)()
    with pytest.raises(RefusedError):
        listener.send(ASK)

    class Fake:
        frame = Frame(0.0, 0x7E0, False, bytes.fromhex("0104"))

    bus = CanLink("virtual", channel)()
    for wrong in (Fake(), Fake.frame, None):
        with pytest.raises(RefusedError):
            bus.send(wrong)  # type: ignore[arg-type]
    with pytest.raises(RefusedError):
        Permitted(Fake.frame)
    with pytest.raises(AttributeError):
        permit(ASK.frame).frame = Fake.frame  # type: ignore[misc]
    assert other.recv(0.05) is None
    listener.close()
    bus.close()


class Vehicle(threading.Thread):
    """A control unit on the bus whose ISO-TP is python-can-isotp's, not ours."""

    def __init__(self, bus: can.BusABC, extended: bool) -> None:
        super().__init__(daemon=True)
        mode = isotp.AddressingMode.Normal_29bits if extended else isotp.AddressingMode.Normal_11bits
        rx, tx = (0x18DA10F1, 0x18DAF110) if extended else (0x7E0, 0x7E8)
        self.bus, self.everybody = bus, 0x18DB33F1 if extended else 0x7DF
        self.heard: deque[can.Message] = deque()
        self.stack = isotp.TransportLayerLogic(
            rxfn=self._receive,
            txfn=self._send,
            address=isotp.Address(mode, rxid=rx, txid=tx),
            params={"tx_padding": 0xCC, "blocking_send": False},
        )
        self.ended = False

    def run(self) -> None:
        while not self.ended:
            heard = self.bus.recv(0.005)
            if heard is not None and heard.arbitration_id == self.everybody:
                self._answer(bytes(heard.data[1 : 1 + heard.data[0]]))
            elif heard is not None:
                self.heard.append(heard)
            self.stack.process()
            while self.stack.available():
                payload = self.stack.recv()
                if payload:
                    self._answer(bytes(payload))
            self.stack.process()

    def _answer(self, ask: bytes) -> None:
        values = {0x0C: "0C1AF8", 0x0D: "0D32", 0x62: "62E1", 0x05: "057B", 0x49: "4933"}
        if ask == b"\x09\x02":
            self.stack.send(b"\x49\x02\x01" + b"0LMTESTV012345678")
        elif ask == b"\x03":
            self.stack.send(bytes.fromhex("43040741071507420300"))
        elif ask == b"\x01\x00":
            self.stack.send(bytes.fromhex("410008180001"))
        elif ask[0] == 1 and ask[1] in (0x20, 0x40, 0x60):
            masks = {0x20: "412000000001", 0x40: "414000800001", 0x60: "416040000000"}
            self.stack.send(bytes.fromhex(masks[ask[1]]))
        elif ask[0] == 1:
            self.stack.send(
                b"\x41" + b"".join(bytes.fromhex(values[pid]) for pid in ask[1:] if pid in values)
            )
        else:
            self.stack.send(bytes((0x7F, ask[0], 0x11)))

    def _receive(self, timeout: float = 0.0) -> isotp.CanMessage | None:
        if not self.heard:
            return None
        heard = self.heard.popleft()
        return isotp.CanMessage(
            arbitration_id=heard.arbitration_id, data=bytes(heard.data), extended_id=heard.is_extended_id
        )

    def _send(self, out: isotp.CanMessage) -> None:
        self.bus.send(
            can.Message(arbitration_id=out.arbitration_id, data=out.data, is_extended_id=out.is_extended_id)
        )


@pytest.mark.parametrize("extended", [False, True])
def test_live_against_an_independent_isotp_stack(
    tmp_path: Path, channel: str, other: can.BusABC, extended: bool
) -> None:
    vehicle = Vehicle(other, extended)
    vehicle.start()
    clock = MonotonicClock()
    decoder, schedule = Decoder(), Schedule()
    bus = CanLink("virtual", channel, masks=decoder.wanted_masks)()
    recorder = Recorder(tmp_path / "live.log", keep_vin=True)
    readings: list[Reading] = []
    until_s = clock.now_s() + 4.0

    def take(frame: Frame) -> None:
        readings.extend(decoder.feed(frame))

    exchange = Exchange(bus, schedule, decoder, clock, take, recorder)
    try:
        while clock.now_s() < until_s and not (decoder.vin and decoder.codes and len(readings) > 150):
            exchange.turn()
    finally:
        vehicle.ended = True
        vehicle.join(1.0)
        bus.close()
    assert decoder.vin == "0LMTESTV012345678"
    assert list(decoder.codes["stored"]) == ["P0741", "P0715", "P0742", "P0300"]
    assert {r.quantity for r in readings} >= {"engine_rpm", "vehicle_kmh", "engine_torque_pct", "pedal_pct"}
    assert not any(name.startswith("isotp") for name in decoder.counters)
    assert schedule.counters["unanswered"] <= 2
    # What was recorded tells the same story as what was seen live.
    recorder.close()
    replayed = Decoder()
    again = [reading for frame in Candump(recorder.path) for reading in replayed.feed(frame)]
    assert [reading[1:] for reading in again] == [reading[1:] for reading in readings]
    assert max(abs(a.time_s - b.time_s) for a, b in zip(again, readings, strict=True)) < 3e-6
    assert (replayed.vin, replayed.codes, replayed.counters) == (decoder.vin, decoder.codes, decoder.counters)


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


def test_stamps_are_used_while_they_agree_and_never_when_the_clock_was_set() -> None:
    clock, bus = VirtualClock(100.0), Scripted()
    can_bus = source(bus, clock=clock)
    times, truth, wall_s = [], [], 1.7e9
    for n in range(400):
        clock.sleep(0.05)
        if n in (100, 300):
            wall_s += 3600.0 if n == 100 else -7200.0
        late_s = 0.03 if n % 7 == 0 else 0.0  # we were busy elsewhere and saw the frame late
        taken_s = clock.now_s() - late_s
        bus.script.append(message(0x7E8, "03410D32", timestamp=wall_s + taken_s))
        frame = can_bus.read(0.0)
        assert frame is not None
        times.append(frame.time_s - 1.7e9)
        truth.append(taken_s)
    assert can_bus.counters["clock_steps"] == 2
    assert times == sorted(times)
    late = [time_s - true_s for time_s, true_s in zip(times, truth, strict=True)]
    assert max(map(abs, late[1:])) < 0.032, "a set clock moves nothing"
    settled = [each for n, each in enumerate(late) if n not in (0, 300)]
    assert max(map(abs, settled)) < 0.002, "the stamp says when it was, not when we came to look"


def test_unknown_clocks_are_not_believed() -> None:
    clock, bus = VirtualClock(100.0), Scripted()
    can_bus = source(bus, "slcan", clock)
    for stamp_s in (1.0, 5e9, 0.0):
        clock.sleep(0.1)
        bus.script.append(message(0x7E8, "03410D32", timestamp=stamp_s))
        frame = can_bus.read(0.0)
        assert frame is not None
        assert frame.time_s == pytest.approx(1.7e9 + clock.now_s())


class Mishap(can.CanError):
    pass


@pytest.mark.parametrize(
    "failure",
    [
        can.CanOperationError("Error receiving: Network is down", 100),
        can.CanInitializationError("x"),
        can.CanTimeoutError("x"),
        can.CanInterfaceNotImplementedError("x"),
        Mishap("x"),
        OSError(19, "No such device"),
        RuntimeError("backend fault"),
        TypeError("backend fault"),
    ],
)
def test_every_failure_of_a_bus_is_a_link_error(failure: Exception) -> None:
    with pytest.raises(LinkError, match="can0: expected") as caught:
        source(Scripted(failure)).read(0.0)
    assert caught.value.exit_status == 3


def test_python_cans_whole_error_tree_is_mapped() -> None:
    for name in can.exceptions.__dict__:
        kind = getattr(can.exceptions, name)
        if isinstance(kind, type) and issubclass(kind, can.CanError):
            with pytest.raises(LinkError):
                source(Scripted(kind("x"))).read(0.0)


def test_lines_spoilt_by_noise_are_counted_and_survived() -> None:
    spoilt = can.CanOperationError("Could not read from serial device")
    spoilt.__cause__ = UnicodeDecodeError("utf-8", b"\xff", 0, 1, "x")
    bus = Scripted(spoilt, ValueError("hex"), IndexError("x"), message(0x7E8, "03410D32"))
    can_bus = source(bus, "slcan")
    frame = None
    for _ in range(4):
        frame = frame or can_bus.read(0.001)
    assert frame is not None
    assert not bus._buffer
    assert can_bus.counters["garbled_lines"] == 3
    hopeless = source(Scripted(*[ValueError("x")] * 100))
    with pytest.raises(LinkError):
        for _ in range(100):
            hopeless.read(0.001)


def test_no_frame_is_lost_in_the_noise_of_a_serial_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """python-can's own slcan reader, with random bytes between good lines."""
    monkeypatch.setattr("can.interfaces.slcan.time.sleep", lambda seconds: None)
    rng = random.Random(1)
    good = bytes.fromhex("03410D3200000000")
    bus = CanLink("slcan", "loop://", bitrate=500000, masks=Decoder().wanted_masks)()
    port: Any = bus._bus.serialPortOrig  # type: ignore[attr-defined]
    received = []
    for _ in range(200):
        port.write(
            bytes(rng.choice(b"tTrRdDbBx0123456789ABCDEF\r\a\xff\x00 ") for _ in range(rng.randrange(30)))
        )
        port.write(b"\rt7E8803410D3200000000\r")
        while (frame := bus.read(0.002)) is not None:
            received.append(frame.data)
    assert received.count(good) == 200
    assert len(received) <= 202
    assert bus.counters["garbled_lines"] > 100
    bus.close()


def test_bus_off_is_a_lost_link() -> None:
    error = can.Message(arbitration_id=0x40, is_error_frame=True)
    with pytest.raises(LinkError, match="bus-off"):
        source(Scripted(error)).read(0.0)


def test_sends_that_fail_for_a_while_are_counted_and_then_the_link_is_lost() -> None:
    bus = Scripted()
    bus.send_failure = can.CanOperationError("Transmit buffer full", 105)
    can_bus = source(bus)
    for _ in range(10):
        can_bus.send(ASK)
    assert can_bus.counters["failed_sends"] == 10
    assert can_bus.read(0.0) is None, "what was not sent is not read back"
    bus.send_failure = None
    can_bus.send(ASK)
    assert can_bus.read(0.0) is not None
    bus.send_failure = can.CanOperationError("Transmit buffer full", 105)
    with pytest.raises(LinkError, match="ignition"):
        for _ in range(20):
            can_bus.send(ASK)
    bus.send_failure = can.CanOperationError("Failed to transmit: Network is down", 100)
    with pytest.raises(LinkError, match="Network is down"):
        source(bus).send(permit(ASK.frame))
    can_bus.close()


def test_opening_fails_with_one_line() -> None:
    with pytest.raises(UsageError, match="did you mean 'socketcan'"):
        CanLink("socketcna", "can0")()
    with pytest.raises(LinkError, match="nosuchcan7"):
        CanLink("socketcan", "nosuchcan7")()
    with pytest.raises(LinkError) as caught:
        CanLink("slcan", "/dev/no-such-port", bitrate=500000)()
    assert "\n" not in str(caught.value)


def test_j1939_filters(channel: str, other: can.BusABC) -> None:
    decoder = J1939Decoder()
    bus = CanLink("virtual", channel, masks=decoder.wanted_masks, listen_only=True)()
    other.send(message(0x18FECA00, "00" * 8, extended=True))
    other.send(message(0x0CF00400, "0B7D7D640016007D", extended=True))
    frame = bus.read(0.5)
    assert frame is not None
    assert [r.value for r in decoder.feed(frame)] == [12.5, 0.0, 0.0]
    bus.close()


class Slcan(threading.Thread):
    """A CAN-over-serial adapter on a pseudo-terminal; the vehicle behind it talks at `bitrate` only."""

    CODES = {"S5": 250000, "S6": 500000}  # noqa: RUF012

    def __init__(self, bitrate: int) -> None:
        super().__init__(daemon=True)
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.port = os.ttyname(self.slave)
        self.bitrate = bitrate
        self.lines: list[str] = []
        self.ended = False

    def run(self) -> None:
        buffer, opened = b"", 0
        while not self.ended:
            if not select.select([self.master], [], [], 0.02)[0]:
                continue
            buffer += os.read(self.master, 200)
            *lines, buffer = buffer.split(b"\r")
            for line in (each.decode() for each in lines):
                self.lines.append(line)
                opened = self.CODES.get(line, opened)
                if line.startswith("t7DF802010") and opened == self.bitrate:
                    os.write(self.master, b"\xff\xfenoise\r")
                    os.write(self.master, b"t7E88064100BE1FA813AA\r")
                    os.write(self.master, b"t7E8803410D3200000000\r")


@pytest.mark.parametrize("bitrate", [500000, 250000])
def test_bitrates_are_tried_over_a_real_serial_line(monkeypatch: pytest.MonkeyPatch, bitrate: int) -> None:
    monkeypatch.setattr("can.interfaces.slcan.time.sleep", lambda seconds: None)
    adapter = Slcan(bitrate)
    adapter.start()
    said: list[str] = []
    link = CanLink("slcan", adapter.port, say=said.append)
    try:
        bus = link()
        assert len(said) == (1 if bitrate == 500000 else 2)
        deadline = time.monotonic() + 2.0
        readings: list[Reading] = []
        decoder = Decoder()
        while not readings and time.monotonic() < deadline:
            frame = bus.read(0.1)
            if frame is not None:
                readings += decoder.feed(frame)
        assert [(r.quantity, r.value) for r in readings] == [("vehicle_kmh", 50.0)]
        bus.close()
        said.clear()
        link().close()
        assert len(said) == 1, "the bitrate that worked is tried first"
    finally:
        adapter.ended = True
        adapter.join(1.0)
        os.close(adapter.master)
        os.close(adapter.slave)
    assert not [
        line
        for line in adapter.lines
        if line.startswith(("t", "T")) and not line.startswith(("t7DF802010", "T18DB33F1"))
    ]


def test_a_bus_full_of_unwanted_frames_does_not_hold_up_read() -> None:
    """Keys, signals and the next ask are looked after in between."""
    clock = VirtualClock()

    class Busy:
        def fileno(self) -> int:
            raise NotImplementedError

        def recv(self, timeout: float) -> can.Message:
            clock.sleep(0.001)
            assert clock.now_s() < 1.0, "never comes back"
            return message(0x123, "00")

    bus: Any = Busy()
    assert CanBus(bus, "pcan", "x", clock, 0.0, ((0x7E8, 0x7F8, False),)).read(0.1) is None
    assert clock.now_s() == pytest.approx(0.1, abs=0.01)
