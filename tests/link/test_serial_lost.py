"""A serial adapter that is reset is set up again; one that is gone, silent or off the bus is a lost link."""

from __future__ import annotations

from typing import Any

import pytest

from livemon.errors import LinkError
from livemon.permit import permit
from livemon.simulate.adapter_faults import Faults


def test_a_reset_adapter_is_set_up_again_within_two_asks(bench: Any) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    b.device.receive(b"ATZ\r", b.clock.now_s())  # somebody else resets it
    b.clock.sleep(1.0)
    assert sum(len(b.exchange(source, "010C")) > 1 for _ in range(3)) >= 1
    assert len(b.exchange(source, "010C")) == 2
    assert source.counters["adapter_resets"] == 1
    assert any("was reset" in sentence for sentence in b.said)


def test_a_reset_by_low_voltage_is_noticed_at_once(bench: Any) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    b.device._defaults()
    b.device._out_at(b.clock.now_s(), b"LV RESET\r\r>")
    b.drain(source)
    assert [f.can_id for f in b.exchange(source, "010C")] == [0x7DF, 0x7E8]
    assert source.counters["adapter_resets"] == 1


def test_a_reset_shows_by_answers_without_headers_where_the_echo_stays_on(bench: Any) -> None:
    b = bench(faults=Faults(echo_stays_on=True))
    source = b.link()
    b.drain(source)
    b.device._defaults()
    b.exchange(source, "010C")
    assert [f.can_id for f in b.exchange(source, "010C")] == [0x7DF, 0x7E8]
    assert source.counters["adapter_resets"] == 1


def test_an_unplugged_adapter_is_a_lost_link(bench: Any) -> None:
    b = bench()
    source = b.link()
    b.ports[-1].unplugged_s = 0.0
    with pytest.raises(LinkError, match="check cable"):
        b.drain(source)
    with pytest.raises(LinkError):
        source.send(permit(b.ask("010C")))
    source.close()
    source.close()


def test_an_adapter_that_falls_silent_is_a_lost_link_in_bounded_time(bench: Any) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    b.device._faults.dead = True
    started_s = b.clock.now_s()
    with pytest.raises(LinkError, match="got silence"):
        for _ in range(3):
            b.exchange(source, "010C", 1.0)
    assert b.clock.now_s() - started_s < 5.0


def test_a_bus_that_is_off_is_a_lost_link(bench: Any) -> None:
    b = bench()
    source = b.link()
    b.drain(source)
    b.device.ignition = False
    with pytest.raises(LinkError, match="CANERROR 5 times in a row"):
        for _ in range(10):
            b.exchange(source, "010C")
