"""The serial source against a simulated adapter, in-process and in virtual time."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any

import pytest

from livemon.errors import LinkError, RefusedError
from livemon.permit import READ_SERVICES, permit
from livemon.records import Frame
from livemon.simulate.adapter_faults import Faults
from livemon.simulate.adapter_unit import ENGINE, GEARBOX, VIN, TableUnit, Units
from livemon.sources import serial_adapter, serial_exchange
from livemon.sources.serial_adapter import SerialAdapter
from livemon.sources.serial_exchange import COMMANDS

RPM = bytes.fromhex("04410C1AF8")
Make = Any  # the Bench class of conftest.py


# ---- opening


@pytest.mark.parametrize("baud", [38400, 115200, 9600, 500000, 57600, 230400])
def test_the_baud_rate_is_found(bench: Make, baud: int) -> None:
    b = bench(baud=None)
    b.device.baud = baud
    source = b.link()
    assert RPM in b.exchange(source, "010C")[-1].data
    assert any(str(baud) in sentence for sentence in b.said)
    assert b.clock.now_s() < 25.0


def test_a_reopened_link_tries_first_what_worked(bench: Make) -> None:
    b = bench()
    b.device.baud = 57600
    b.link().close()
    opened, started_s = len(b.ports), b.clock.now_s()
    b.device.heard.clear()
    b.link()
    assert len(b.ports) == opened + 1
    assert b.clock.now_s() - started_s < 0.5
    assert "ATSP6" in b.device.heard and "ATSP0" not in b.device.heard


def test_a_given_wrong_baud_rate_says_so(bench: Make) -> None:
    b = bench(baud=9600)
    with pytest.raises(LinkError, match=r"inline: expected an adapter .* noise at 9600 baud; .*--baud"):
        b.link()


def test_a_dead_adapter_gives_up_in_bounded_time(bench: Make) -> None:
    b = bench(faults=Faults(dead=True))
    with pytest.raises(LinkError, match="silence or noise") as caught:
        b.link()
    assert caught.value.exit_status == 3
    assert b.clock.now_s() < 25.0
    b = bench(faults=Faults(dead=True), baud=38400)
    with pytest.raises(LinkError):
        b.link()
    assert b.clock.now_s() < 6.0


def test_ignition_off_is_told_apart_from_a_dead_adapter(bench: Make) -> None:
    b = bench()
    b.device.ignition = False
    with pytest.raises(LinkError, match="switch the ignition on"):
        b.link()
    assert b.clock.now_s() < 25.0
    b.device.ignition = True
    assert b.exchange(b.link(), "010C")


@pytest.mark.parametrize(("extended", "kbit"), [(False, 500), (True, 500), (False, 250), (True, 250)])
def test_every_addressing_and_bit_rate_of_iso_15765_4(bench: Make, extended: bool, kbit: int) -> None:
    b = bench(TableUnit(ENGINE, extended=extended), bus_kbit=kbit)
    source = b.link()
    assert source.extended is extended
    frames = b.drain(source)
    assert frames[0].can_id == (0x18DB33F1 if extended else 0x7DF) and frames[0].extended is extended
    asked, answer = b.exchange(source, "010C")  # asked with 11 bit: goes out the way the vehicle wants
    assert asked.can_id == (0x18DB33F1 if extended else 0x7DF)
    assert answer.can_id == (0x18DAF110 if extended else 0x7E8) and answer.extended is extended
    assert answer.data.startswith(RPM)


def test_waiting_is_shown(bench: Make) -> None:
    b = bench()
    b.link()
    assert [sentence.split(": ")[1].split(" ")[0] for sentence in b.said] == ["waiting", "adapter", "vehicle"]


# ---- asking


def test_both_sides_come_out_in_order_and_in_time(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    frames = [f for _ in range(5) for f in b.exchange(source, "010C")]
    assert [f.can_id for f in frames] == [0x7DF, 0x7E8] * 5
    times = [f.time_s for f in frames]
    assert times == sorted(times)
    assert times[0] - 1_000_000.0 <= b.clock.now_s()
    for asked, answered in zip(frames[::2], frames[1::2], strict=True):
        assert asked.data == bytes.fromhex("02010C0000000000")
        assert 0.01 <= answered.time_s - asked.time_s < 0.03  # 10 ms in the vehicle, the rest on the line


def test_several_pids_and_several_lines(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    packed = b.exchange(source, "010C0D11")
    assert [f.data[0] for f in packed[1:]] == [0x10, 0x21]
    vin = b.exchange(source, "0902")
    assert b"".join(f.data[1:] for f in vin[1:])[1:].startswith(b"\x49\x02\x01" + VIN)


def test_several_control_units_and_a_physical_ask(bench: Make) -> None:
    b = bench(Units(TableUnit(ENGINE), TableUnit(GEARBOX, number=1, delay_s=0.018)))
    source = b.link()
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "010D")] == [0x7DF, 0x7E8, 0x7E9]
    assert [f.can_id for f in b.exchange(source, "010D", can_id=0x7E1)] == [0x7E1, 0x7E9]
    assert [f.can_id for f in b.exchange(source, "010D")] == [0x7DF, 0x7E8, 0x7E9]


def test_the_count_makes_the_prompt_come_with_the_last_answer(bench: Make) -> None:
    b = bench(Units(TableUnit(ENGINE), TableUnit(GEARBOX, number=1)))
    source = b.link()
    for _ in range(4):
        started_s = b.clock.now_s()
        b.exchange(source, "010D", wait_s=0.0)
        source.send(permit(b.ask("010C")))  # waits for the prompt
        took_s = b.clock.now_s() - started_s
        b.exchange(source, "010C")
    assert "010D2" in b.device.heard
    assert took_s < 0.03


def test_an_old_adapter_that_refuses_counts(bench: Make) -> None:
    b = bench(faults=Faults(no_count_digit=True))
    source = b.link()
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "010C")] == [0x7DF, 0x7E8]
    assert b.device.heard[-1] == "010C"


def test_no_data_is_counted_and_asking_goes_on(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "015E")] == [0x7DF]
    assert source.counters["no_data"] == 1
    assert len(b.exchange(source, "010C")) == 2


def test_a_read_never_outstays_its_time_much(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    for timeout_s in (0.0, 0.01, 0.2, 1.0):
        started_s = b.clock.now_s()
        assert source.read(timeout_s) is None
        assert b.clock.now_s() - started_s <= timeout_s + 0.051


# ---- nothing else leaves


def test_flow_control_is_left_to_the_adapter(bench: Make) -> None:
    b = bench()
    source = b.link()
    before = len(b.ports[-1].written)
    source.send(permit(Frame(0.0, 0x7E0, False, bytes.fromhex("3000000000000000"))))
    assert len(b.ports[-1].written) == before


def test_only_permitted_frames_are_sent(bench: Make) -> None:
    b = bench()
    source = b.link()
    before = len(b.ports[-1].written)
    with pytest.raises(RefusedError):
        source.send(b.ask("04"))
    with pytest.raises(RefusedError):
        source.command("ATPP00SV00")
    with pytest.raises(RefusedError):
        source.command("04")
    assert len(b.ports[-1].written) == before


def test_everything_written_is_a_set_up_command_or_a_read(bench: Make) -> None:
    """Whatever goes wrong, each line that reached the adapter is in the table or asks for a read service."""
    for seed in range(30):
        faults = Faults(seed, 0.05, 0.05, 0.05, 0.02, 0.02, 0.02, 0.02, 0.01)
        b = bench(faults=faults)
        try:
            source = b.link()
            for payload in ["010C", "010D", "0902", "03", "07", "0A", "020C00", "010C0D11"] * 6:
                b.exchange(source, payload, 0.1)
        except LinkError:
            pass
        for line in b.ports[-1].written.decode("ascii").split("\r")[:-1]:
            assert line[0] == " "
            assert is_allowed(line[1:]), line
        for line in b.device.heard:  # also where the adapter was still busy and dropped a character
            assert is_allowed(line) or line == "", line


def is_allowed(line: str) -> bool:
    asks = re.fullmatch("(0[123579A])([0-9A-F]{2})*[0-9A-F]?", line)
    return bool(COMMANDS.fullmatch(line) or (asks and int(asks[1], 16) in READ_SERVICES))


def test_the_port_is_written_in_one_place() -> None:
    files = (serial_adapter, serial_exchange)
    trees = [ast.parse(Path(each.__file__ or "").read_text(encoding="utf-8")) for each in files]
    writers = [
        function.name
        for tree in trees
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef)
        for node in ast.walk(function)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "write"
    ]
    assert writers == ["_put"]


@pytest.mark.parametrize("old_adapter", [False, True])
def test_an_ask_that_loses_a_digit_on_the_wire_does_nothing(bench: Make, old_adapter: bool) -> None:
    """0142 less its 1 would be 04 and the count 2: clear the codes. 01101 less its 0 would be a reset."""
    b = bench(faults=Faults(no_count_digit=old_adapter))
    source = b.link()
    for pid in range(256):
        b.unit.table.setdefault(bytes([1, pid]), bytes([0x41, pid, 0, 0]))
        for _ in range(4):
            b.exchange(source, f"01{pid:02X}", 0.0)
        b.exchange(source, f"01{pid:02X}0D49", 0.0)
    b.exchange(source, "0902", 0.5)
    heard = {line for line in b.device.heard if not line.startswith("AT")}
    assert len(heard) >= 257
    for line in heard:
        for at in range(len(line)):
            damaged = line[:at] + line[at + 1 :]
            if old_adapter and len(damaged) % 2:
                continue  # such an adapter refuses it
            payload = bytes.fromhex(damaged[: len(damaged) // 2 * 2])
            assert payload != b"\x04", (line, damaged)  # clear the codes
            assert payload[0] != 0x14 or len(payload) != 4, (line, damaged)  # clear a group of codes
            assert payload[:1] != b"\x08" or payload[1:2] in (b"", b"\0") or payload[1] > 15, (line, damaged)
            if len(payload) == 2 and payload[0] in (0x10, 0x11):  # session, reset
                assert payload[1] & 0x7F not in range(1, 6), (line, damaged)


# ---- misbehaving adapters


def ask_many(b: Any, source: SerialAdapter, times: int = 200) -> int:
    """How many of so many asks for engine speed were answered with the right number."""
    good = 0
    for _ in range(times):
        for frame in b.exchange(source, "010C", 0.1):
            if frame.can_id == 0x7E8 and frame.data[1] == 0x41:
                assert frame.data.startswith(RPM) or frame.data[2] == 0x00, frame
                good += frame.data.startswith(RPM)
    return good


@pytest.mark.parametrize(
    ("faults", "share", "counter"),
    [
        (Faults(1, noise=0.2), 0.6, "garbled_lines"),
        (Faults(2, lost_bytes=0.1), 0.7, "garbled_lines"),
        (Faults(3, lost_prompt=0.1), 0.9, "missed_prompts"),
        (Faults(4, buffer_full=0.1), 0.8, "buffer_full"),
        (Faults(5, bus_trouble=0.1), 0.8, "can_error"),
        (Faults(6, reset=0.02), 0.8, "adapter_resets"),
        (Faults(7, silence=0.03), 0.9, "missed_prompts"),
        (Faults(8, slow_s=0.3), 0.99, "garbled_lines"),
        (Faults(9, echo_stays_on=True), 1.0, "garbled_lines"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_misbehaving_adapter_still_serves(bench: Make, faults: Faults, share: float, counter: str) -> None:
    b = bench(faults=faults)
    source = b.link()
    assert ask_many(b, source) >= share * 200
    if counter != "garbled_lines" or faults.noise or faults.lost_bytes:
        assert source.counters[counter] > 0
    if faults.echo_stays_on:
        assert source.counters["adapter_resets"] == 0


def test_a_reset_adapter_is_set_up_again_within_two_asks(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    b.device.receive(b"ATZ\r", b.clock.now_s())  # somebody else resets it
    b.clock.sleep(1.0)
    assert sum(len(b.exchange(source, "010C")) > 1 for _ in range(3)) >= 1
    assert len(b.exchange(source, "010C")) == 2
    assert source.counters["adapter_resets"] == 1
    assert any("was reset" in sentence for sentence in b.said)


def test_an_unplugged_adapter_is_a_lost_link(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.ports[-1].unplugged_s = 0.0
    with pytest.raises(LinkError, match="check cable"):
        b.drain(source)
    with pytest.raises(LinkError):
        source.send(permit(b.ask("010C")))
    source.close()
    source.close()


def test_an_adapter_that_falls_silent_is_a_lost_link_in_bounded_time(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    b.device._faults.dead = True
    started_s = b.clock.now_s()
    with pytest.raises(LinkError, match="got silence"):
        for _ in range(3):
            b.exchange(source, "010C", 1.0)
    assert b.clock.now_s() - started_s < 5.0


def test_a_bus_that_is_off_is_a_lost_link(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    b.device.ignition = False
    with pytest.raises(LinkError, match="CANERROR 5 times in a row"):
        for _ in range(10):
            b.exchange(source, "010C")


# ---- keeping in step with the adapter


def test_a_stray_prompt_before_any_reply_is_no_prompt(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    for _ in range(5):
        source.send(permit(b.ask("010C")))
        b.device._out_at(b.clock.now_s(), b">")  # noise, while the answer is still to come
        source.send(permit(b.ask("010D")))
        assert len(b.drain(source)) == 4
    assert source.counters["stopped"] == 0
    assert "010D1" in b.device.heard


def test_a_reply_of_something_else_brings_it_back_into_step(bench: Make) -> None:
    """An adapter that lags one reply behind would answer every ask with the answer to the one before."""
    b = bench()
    source = b.link()
    b.drain(source)
    b.device._out_at(b.clock.now_s(), b"OK\r\r>")
    source.send(permit(b.ask("010C")))  # takes the stale OK for its reply
    source.send(permit(b.ask("010D")))
    b.drain(source)
    for _ in range(3):
        asked, answered = b.exchange(source, "010D")
        assert answered.data[2] == asked.data[2] == 0x0D
        assert answered.time_s - asked.time_s < 0.1
    assert source.counters["stopped"] == 0


@pytest.mark.parametrize("wait_s", [0.0, 0.001, 0.003, 0.01, 0.015, 0.02])
def test_opening_an_adapter_that_is_busy(bench: Make, wait_s: float) -> None:
    """The program before was killed in the middle of an ask; half a line is still to come."""
    b = bench(baud=38400)
    b.device.receive(b"ATE1\rATS1\r0902\r", b.clock.now_s())
    b.clock.sleep(wait_s)
    source = b.link()
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "010C")] == [0x7DF, 0x7E8]
    assert b.clock.now_s() < 2.0


def test_a_lost_prompt_behind_the_last_answer_costs_little(bench: Make) -> None:
    b = bench()
    source = b.link()
    for _ in range(3):
        b.exchange(source, "010C")
    b.device._faults.lost_prompt = 1.0
    source.send(permit(b.ask("010C")))
    assert [source.read(0.3).can_id for _ in range(2)] == [0x7DF, 0x7E8]
    b.device._faults.lost_prompt = 0.0
    started_s = b.clock.now_s()
    source.send(permit(b.ask("010D")))
    assert b.clock.now_s() - started_s < 0.6
    assert source.counters["missed_prompts"] == 1


def test_the_protocol_found_is_named_so_that_silence_starts_no_search(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    assert b.device.heard[-1] == "ATSP6" and source.protocol == "6"
    b.unit.table.clear()  # the control units sleep
    b.exchange(source, "010C")
    assert source.counters["no_data"] == 1 and source.counters["unable_to_connect"] == 0


def test_an_answer_that_is_first_pending_is_waited_for(bench: Make) -> None:
    class Pending(TableUnit):
        def _answers(self, frame: Frame, now_s: float) -> list[Frame]:
            frames = super()._answers(frame, now_s)
            if frame.data[1:3] == b"\x01\x0d":
                wait = self._out(now_s + 0.005, bytes.fromhex("037F0178"))
                frames = [wait, frames[0]._replace(time_s=now_s + 0.035)]
            return frames

    b = bench(Pending(ENGINE))
    source = b.link()
    b.drain(source)
    for _ in range(5):
        assert [f.data[1] for f in b.exchange(source, "010D")] == [0x01, 0x7F, 0x41]


def test_a_reset_by_low_voltage_is_noticed_at_once(bench: Make) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    b.device._defaults()
    b.device._out_at(b.clock.now_s(), b"LV RESET\r\r>")
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "010C")] == [0x7DF, 0x7E8]
    assert source.counters["adapter_resets"] == 1


@pytest.mark.parametrize("payload", ["010C", "0902"])
def test_an_answer_spoilt_by_noise_is_asked_for_again_once(bench: Make, payload: str) -> None:
    """Waiting for a consecutive frame that will never come would cost a second of the drive."""
    b = bench()
    source = b.link()
    b.drain(source)
    lines = 1 if payload == "010C" else 3
    assert len(b.exchange(source, payload)) == 1 + lines
    started_s, b.device._faults.noise = b.clock.now_s(), 1.0
    source.send(permit(b.ask(payload)))
    frames: list[Frame] = []
    while source.counters["asked_again"] == 0:
        frames += [frame] if (frame := source.read(0.01)) else []
    b.device._faults.noise = 0.0
    frames += b.drain(source, 0.1)
    assert b.clock.now_s() - started_s < 0.3
    asked = [frame for frame in frames if frame.can_id == 0x7DF]
    assert len(asked) == 2 and asked[0].data == asked[1].data and asked[0].time_s < asked[1].time_s
    assert [frame.can_id for frame in frames[-lines:]] == [0x7E8] * lines

    b.device._faults.noise = 1.0  # for ever: asked again once at most, then given up
    source.send(permit(b.ask(payload)))
    asked = [frame for frame in b.drain(source, 0.5) if frame.can_id == 0x7DF]
    assert 1 <= len(asked) <= 2


def test_a_reset_shows_by_answers_without_headers_where_the_echo_stays_on(bench: Make) -> None:
    b = bench(faults=Faults(echo_stays_on=True))
    source = b.link()
    b.drain(source)
    b.device._defaults()
    b.exchange(source, "010C")
    assert [f.can_id for f in b.exchange(source, "010C")] == [0x7DF, 0x7E8]
    assert source.counters["adapter_resets"] == 1
