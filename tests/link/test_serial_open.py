"""Opening a serial adapter: its baud rate, the vehicle behind it, and what is said where one is missing."""

from __future__ import annotations

from typing import Any

import pytest

from livemon.errors import LinkError
from livemon.simulate.adapter_faults import Faults
from livemon.simulate.adapter_unit import ENGINE, TableUnit


@pytest.mark.parametrize("baud", [38400, 115200, 9600, 500000, 57600, 230400])
def test_the_baud_rate_is_found(bench: Any, baud: int) -> None:
    b = bench(baud=None)
    b.device.baud = baud
    source = b.link()
    assert b.rpm_answer in b.exchange(source, "010C")[-1].data
    assert any(str(baud) in sentence for sentence in b.said)
    assert b.clock.now_s() < 25.0


def test_a_reopened_link_tries_first_what_worked(bench: Any) -> None:
    b = bench()
    b.device.baud = 57600
    b.link().close()
    opened, started_s = len(b.ports), b.clock.now_s()
    b.device.heard.clear()
    b.link()
    assert len(b.ports) == opened + 1
    assert b.clock.now_s() - started_s < 0.5
    assert "ATSP6" in b.device.heard and "ATSP0" not in b.device.heard


def test_a_given_wrong_baud_rate_says_so(bench: Any) -> None:
    b = bench(baud=9600)
    with pytest.raises(LinkError, match=r"inline: expected an adapter .* noise at 9600 baud; .*--baud"):
        b.link()


def test_a_dead_adapter_gives_up_in_bounded_time(bench: Any) -> None:
    b = bench(faults=Faults(dead=True))
    with pytest.raises(LinkError, match="silence or noise") as caught:
        b.link()
    assert caught.value.exit_status == 3
    assert b.clock.now_s() < 25.0
    b = bench(faults=Faults(dead=True), baud=38400)
    with pytest.raises(LinkError):
        b.link()
    assert b.clock.now_s() < 6.0


def test_ignition_off_is_told_apart_from_a_dead_adapter(bench: Any) -> None:
    b = bench()
    b.device.ignition = False
    with pytest.raises(LinkError, match="switch the ignition on"):
        b.link()
    assert b.clock.now_s() < 25.0
    b.device.ignition = True
    assert b.exchange(b.link(), "010C")


@pytest.mark.parametrize(("extended", "kbit"), [(False, 500), (True, 500), (False, 250), (True, 250)])
def test_every_addressing_and_bit_rate_of_iso_15765_4(bench: Any, extended: bool, kbit: int) -> None:
    b = bench(TableUnit(ENGINE, extended=extended), bus_kbit=kbit)
    source = b.link()
    assert source.extended is extended
    frames = b.drain(source)
    assert frames[0].can_id == (0x18DB33F1 if extended else 0x7DF) and frames[0].extended is extended
    asked, answer = b.exchange(source, "010C")  # asked with 11 bit: goes out the way the vehicle wants
    assert asked.can_id == (0x18DB33F1 if extended else 0x7DF)
    assert answer.can_id == (0x18DAF110 if extended else 0x7E8) and answer.extended is extended
    assert answer.data.startswith(b.rpm_answer)


def test_waiting_is_shown(bench: Any) -> None:
    b = bench()
    b.link()
    assert [sentence.split(": ")[1].split(" ")[0] for sentence in b.said] == ["waiting", "adapter", "vehicle"]


@pytest.mark.parametrize("wait_s", [0.0, 0.001, 0.003, 0.01, 0.015, 0.02])
def test_opening_an_adapter_that_is_busy(bench: Any, wait_s: float) -> None:
    """The program before was killed in the middle of an ask; half a line is still to come."""
    b = bench(baud=38400)
    b.device.receive(b"ATE1\rATS1\r0902\r", b.clock.now_s())
    b.clock.sleep(wait_s)
    source = b.link()
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "010C")] == [0x7DF, 0x7E8]
    assert b.clock.now_s() < 2.0


def test_the_protocol_found_is_named_so_that_silence_starts_no_search(bench: Any) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    assert b.device.heard[-1] == "ATSP6" and source.protocol == "6"
    b.unit.table.clear()  # the control units sleep
    b.exchange(source, "010C")
    assert source.counters["no_data"] == 1 and source.counters["unable_to_connect"] == 0
