"""Asking through a simulated serial adapter, in-process and in virtual time."""

from __future__ import annotations

from typing import Any

from livemon.permit import permit
from livemon.records import Frame
from livemon.simulate.adapter_faults import Faults
from livemon.simulate.adapter_unit import ENGINE, GEARBOX, VIN, TableUnit, Units


def test_both_sides_come_out_in_order_and_in_time(bench: Any) -> None:
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


def test_several_pids_and_several_lines(bench: Any) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    packed = b.exchange(source, "010C0D11")
    assert [f.data[0] for f in packed[1:]] == [0x10, 0x21]
    vin = b.exchange(source, "0902")
    assert b"".join(f.data[1:] for f in vin[1:])[1:].startswith(b"\x49\x02\x01" + VIN)


def test_several_control_units_and_a_physical_ask(bench: Any) -> None:
    b = bench(Units(TableUnit(ENGINE), TableUnit(GEARBOX, number=1, delay_s=0.018)))
    source = b.link()
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "010D")] == [0x7DF, 0x7E8, 0x7E9]
    assert [f.can_id for f in b.exchange(source, "010D", can_id=0x7E1)] == [0x7E1, 0x7E9]
    assert [f.can_id for f in b.exchange(source, "010D")] == [0x7DF, 0x7E8, 0x7E9]


def test_the_count_makes_the_prompt_come_with_the_last_answer(bench: Any) -> None:
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


def test_an_old_adapter_that_refuses_counts(bench: Any) -> None:
    b = bench(faults=Faults(no_count_digit=True))
    source = b.link()
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "010C")] == [0x7DF, 0x7E8]
    assert b.device.heard[-1] == "010C"


def test_no_data_is_counted_and_asking_goes_on(bench: Any) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "015E")] == [0x7DF]
    assert source.counters["no_data"] == 1
    assert len(b.exchange(source, "010C")) == 2


def test_an_answer_that_is_first_pending_is_waited_for(bench: Any) -> None:
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


def test_a_read_never_outstays_its_time_much(bench: Any) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    for timeout_s in (0.0, 0.01, 0.2, 1.0):
        started_s = b.clock.now_s()
        assert source.read(timeout_s) is None
        assert b.clock.now_s() - started_s <= timeout_s + 0.051
