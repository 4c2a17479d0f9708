"""The CAN source over python-can: what passes, on virtual buses and against an independent ISO-TP stack."""

from __future__ import annotations

import sys
import threading
import time
import uuid
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import can
import isotp
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from can_script import ASK, message  # it lies beside this file

from livemon.clock import MonotonicClock, VirtualClock
from livemon.errors import LinkError, RefusedError
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


@pytest.fixture
def channel() -> str:
    return f"test-{uuid.uuid4()}"


@pytest.fixture
def other(channel: str) -> Iterator[can.BusABC]:
    bus = can.Bus(interface="virtual", channel=channel, ignore_config=True)
    yield bus
    bus.shutdown()


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


def test_j1939_filters(channel: str, other: can.BusABC) -> None:
    decoder = J1939Decoder()
    bus = CanLink("virtual", channel, masks=decoder.wanted_masks, listen_only=True)()
    other.send(message(0x18FECA00, "00" * 8, extended=True))
    other.send(message(0x0CF00400, "0B7D7D640016007D", extended=True))
    frame = bus.read(0.5)
    assert frame is not None
    assert [r.value for r in decoder.feed(frame)] == [12.5, 0.0, 0.0]
    bus.close()


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
