"""A serial adapter that misbehaves: lines spoilt or lost, and replies out of step with what was asked."""

from __future__ import annotations

from typing import Any

import pytest

from livemon.permit import permit
from livemon.records import Frame
from livemon.simulate.adapter_faults import Faults
from livemon.sources.serial_adapter import SerialAdapter


def ask_many(b: Any, source: SerialAdapter, times: int = 200) -> int:
    """How many of so many asks for engine speed were answered with the right number."""
    good = 0
    for _ in range(times):
        for frame in b.exchange(source, "010C", 0.1):
            if frame.can_id == 0x7E8 and frame.data[1] == 0x41:
                assert frame.data.startswith(b.rpm_answer) or frame.data[2] == 0x00, frame
                good += frame.data.startswith(b.rpm_answer)
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
def test_a_misbehaving_adapter_still_serves(bench: Any, faults: Faults, share: float, counter: str) -> None:
    b = bench(faults=faults)
    source = b.link()
    assert ask_many(b, source) >= share * 200
    if counter != "garbled_lines" or faults.noise or faults.lost_bytes:
        assert source.counters[counter] > 0
    if faults.echo_stays_on:
        assert source.counters["adapter_resets"] == 0


@pytest.mark.parametrize("payload", ["010C", "0902"])
def test_an_answer_spoilt_by_noise_is_asked_for_again_once(bench: Any, payload: str) -> None:
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


def test_a_lost_prompt_behind_the_last_answer_costs_little(bench: Any) -> None:
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


def test_a_stray_prompt_before_any_reply_is_no_prompt(bench: Any) -> None:
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


def test_a_reply_of_something_else_brings_it_back_into_step(bench: Any) -> None:
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
