"""The simulated control units as ISO 15765-4 and SAE J1979 ask; reassembly is checked with can-isotp."""

from __future__ import annotations

from random import Random
from typing import Any

import isotp
import pytest

from livemon.obd.decode import Decoder
from livemon.records import Frame
from livemon.simulate.control_unit import ControlUnit, code_bytes
from livemon.simulate.fast import drive
from livemon.simulate.scenario import Scenario, draw


class Bench:
    """One control unit on a table: frames in, frames out, time moves as needed."""

    def __init__(self, scenario: Scenario) -> None:
        self.world = scenario.world()
        self.unit = ControlUnit(scenario.unit, self.world, Random(1))
        self.extended = scenario.unit.extended
        self.now_s = 1.0

    def ask(self, *payload: int, can_id: int = 0x7DF) -> list[Frame]:
        data = bytes((len(payload), *payload)).ljust(8, b"\xcc")
        return self.put(Frame(self.now_s, can_id, self.extended, data))

    def put(self, frame: Frame) -> list[Frame]:
        self.unit.receive(frame, self.now_s)
        out: list[Frame] = []
        while self.unit.next_s < self.now_s + 1.5:
            due = self.unit.next_s
            self.world.run_to(due)
            out += self.unit.emit(due)
            self.now_s = max(self.now_s, due)
        self.now_s += 0.01
        return out


def plain(**choices: Any) -> Scenario:
    base = {"extended": False, "miss_share": 0.0, "most_pids": 6, "transmission_pids": ()}
    return draw("none", 8, **{**base, **choices})


def test_support_masks_name_the_pids_that_answer() -> None:
    """SAE J1979: the mask's most significant bit is the next PID, its last says whether more masks answer."""
    scenario = plain(pids=(0x01, 0x0C, 0x0D, 0x20, 0x46, 0x62))
    bench = Bench(scenario)
    assert bench.ask(1, 0x00)[0].data[1:7] == bytes.fromhex("410080180001")
    assert bench.ask(1, 0x20)[0].data[1:7] == bytes.fromhex("412000000001")
    assert bench.ask(1, 0x40)[0].data[1:7] == bytes.fromhex("414004000001")
    assert bench.ask(1, 0x60)[0].data[1:7] == bytes.fromhex("416040000000")
    assert bench.ask(1, 0x80) == []


def test_single_answer_carries_engine_speed_in_quarters() -> None:
    bench = Bench(plain())
    (answer,) = bench.ask(1, 0x0C)
    assert answer.can_id == 0x7E8
    assert answer.data[:3] == b"\x04\x41\x0c"
    rpm = int.from_bytes(answer.data[3:5], "big") / 4
    assert rpm == pytest.approx(bench.world.truth().engine_rpm, abs=30.0)


def test_unknown_things_are_silence_to_all_and_a_refusal_to_one() -> None:
    """ISO 15765-4 / ISO 14229: a functional ask that nobody supports is not answered."""
    bench = Bench(plain(pids=(0x0C,)))
    assert bench.ask(1, 0x0D) == []
    assert bench.ask(1, 0x0D, can_id=0x7E0)[0].data[:4] == b"\x03\x7f\x01\x12"
    assert bench.ask(9, 0x0A, can_id=0x7E0)[0].data[:4] == b"\x03\x7f\x09\x12"
    assert bench.ask(1, 0x0C, can_id=0x7E1) == [], "no transmission unit on this vehicle"


def test_one_pid_a_time_units_ignore_long_asks() -> None:
    bench = Bench(plain(most_pids=1))
    assert bench.ask(1, 0x0C, 0x0D) == []


def test_long_answers_wait_for_flow_control_and_keep_to_it() -> None:
    bench = Bench(plain())
    (first,) = bench.ask(9, 2)
    assert first.data[:5] == bytes.fromhex("1014490201")
    one = bench.put(Frame(bench.now_s, 0x7E0, False, b"\x30\x01\x05" + b"\x00" * 5))
    assert [f.data[0] for f in one] == [0x21], "block size 1: one frame, then wait"
    two = bench.put(Frame(bench.now_s, 0x7E0, False, b"\x30\x00\x00" + b"\x00" * 5))
    assert [f.data[0] for f in two] == [0x22]
    vin = (first.data[5:] + one[0].data[1:] + two[0].data[1:])[:17]
    assert vin.decode() == plain().unit.vin
    assert len(plain().unit.vin) == 17
    assert not set(plain().unit.vin) & set("IOQ"), "letters a VIN never has (ISO 3779)"


def test_separation_time_is_kept() -> None:
    bench = Bench(plain())
    bench.ask(9, 2)
    sent = bench.put(Frame(bench.now_s, 0x7E0, False, b"\x30\x00\x14" + b"\x00" * 5))
    assert sent[1].time_s - sent[0].time_s >= 0.02


def test_no_flow_control_no_rest() -> None:
    bench = Bench(plain())
    bench.ask(9, 2)
    bench.now_s += 2.0
    assert bench.put(Frame(bench.now_s, 0x7E0, False, b"\x30\x00\x00" + b"\x00" * 5)) == []


@pytest.mark.parametrize("extended", [False, True])
def test_can_isotp_reads_the_same_payload(extended: bool) -> None:
    """[can-isotp], an independent ISO 15765-2 implementation, asks for the VIN and six PIDs at once."""
    scenario = plain(extended=extended)
    bench = Bench(scenario)
    inbox: list[isotp.CanMessage] = []

    def send(message: isotp.CanMessage) -> None:
        frame = Frame(bench.now_s, message.arbitration_id, extended, bytes(message.data))
        inbox.extend(
            isotp.CanMessage(arbitration_id=f.can_id, data=f.data, extended_id=f.extended)
            for f in bench.put(frame)
        )

    address = (
        isotp.Address(isotp.AddressingMode.NormalFixed_29bits, source_address=0xF1, target_address=0x10)
        if extended
        else isotp.Address(rxid=0x7E8, txid=0x7E0)
    )
    layer = isotp.TransportLayerLogic(
        rxfn=lambda _timeout: inbox.pop(0) if inbox else None,
        txfn=send,
        address=address,
        params={"tx_padding": 0},
    )
    for ask, answer in (
        (b"\x09\x02", b"\x49\x02\x01" + scenario.unit.vin.encode()),
        (b"\x01\x0c\x0d\x05\x04\x11\x1f", None),
    ):
        layer.send(ask)
        for _ in range(50):
            layer.process()
        got = layer.recv()
        assert got is not None
        if answer is not None:
            assert bytes(got) == answer
        else:
            assert [got[i] for i in (1, 4, 6, 8, 10, 12)] == [0x0C, 0x0D, 0x05, 0x04, 0x11, 0x1F]


@pytest.mark.parametrize(
    ("code", "value"), [("P0741", "0741"), ("P2757", "2757"), ("U0100", "C100"), ("C0035", "4035")]
)
def test_codes_as_two_bytes(code: str, value: str) -> None:
    """SAE J2012: two bits of system, then four digits."""
    assert code_bytes(code).hex().upper() == value


def test_stored_codes_are_counted_and_listed() -> None:
    bench = Bench(plain(stored=("P0741", "P0300", "P0128")))
    (first,) = bench.ask(3)
    (rest,) = bench.put(Frame(bench.now_s, 0x7E0, False, b"\x30\x00\x00" + b"\x00" * 5))
    assert (first.data[2:] + rest.data[1:])[:8] == bytes.fromhex("4303074103000128")


@pytest.mark.parametrize("seed", [1, 6, 13])
def test_the_decoder_reads_a_drive_and_finds_it_true(seed: int) -> None:
    """Readings against the truth at their own time: engine within 60 rpm, speed within its delay."""
    run = drive(draw("none", seed, seconds=60, pids_per_ask=3), keep_truth=True)
    decoder = Decoder()
    engine = speed = close_engine = close_speed = 0
    for frame in run:
        for reading in decoder.feed(frame):
            truth = run.truth_at(reading.time_s)
            if reading.quantity == "engine_rpm":
                engine += 1
                close_engine += abs(reading.value - truth.engine_rpm) < 60.0
            elif reading.quantity == "vehicle_kmh":
                speed += 1
                close_speed += abs(reading.value - truth.road_kmh) < 2.0 + 0.03 * truth.road_kmh + abs(
                    truth.accel_m_s2
                )
    assert engine > 50
    assert speed > 50
    assert close_engine > 0.97 * engine
    assert close_speed > 0.97 * speed
