"""The simulated vehicle behind the source protocol, on an in-process bus and a clock that moves when told."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from itertools import pairwise

import pytest

from livemon.clock import VirtualClock
from livemon.errors import RefusedError
from livemon.obd.j1939 import J1939Decoder
from livemon.permit import permit
from livemon.records import Frame
from livemon.simulate.scenario import draw
from livemon.sources.simulated import SimulatedSource

SCENARIO = draw("none", 6, seconds=20.0, extended=False, miss_share=0.0, transmission_pids=())


def ask(source: SimulatedSource, pid: int) -> None:
    """Send one ask; the source gives it back first, so that a recording holds it."""
    source.send(permit(Frame(source.time_s, 0x7DF, False, bytes((2, 1, pid, 0, 0, 0, 0, 0)))))
    own = source.read(0.0)
    assert own is not None
    assert own.can_id == 0x7DF


def polled(seconds: float) -> Iterator[Frame]:
    with closing(SimulatedSource(SCENARIO, VirtualClock(1000.0))) as source:
        while source.time_s < seconds:
            ask(source, 0x0C)
            frame = source.read(0.2)
            assert frame is not None
            yield frame


def test_answers_come_after_their_delay_and_carry_the_clock() -> None:
    frames = list(polled(5.0))
    times = [frame.time_s for frame in frames]
    assert times == sorted(times)
    assert 1000.0 < times[0] < 1000.1
    assert all(frame.data[:3] == b"\x04\x41\x0c" for frame in frames)
    low, high = SCENARIO.unit.answer_s
    apart = [b - a for a, b in pairwise(times)]
    assert min(apart) >= low - 1e-9
    assert max(apart) <= high + 1e-9


def test_the_same_scenario_gives_the_same_frames() -> None:
    assert list(polled(3.0)) == list(polled(3.0))


def test_silence_lasts_as_long_as_asked_and_the_vehicle_lives_on() -> None:
    clock = VirtualClock()
    with closing(SimulatedSource(SCENARIO, clock)) as source:
        assert source.read(1.5) is None
        assert clock.now_s() == pytest.approx(1.5)
        assert source.world.time_s == pytest.approx(1.5, abs=0.01)
        assert not source.finished
        assert source.read(30.0) is None
        assert source.finished


def test_two_vehicles_never_hear_each_other() -> None:
    with (
        closing(SimulatedSource(SCENARIO, VirtualClock())) as one,
        closing(SimulatedSource(SCENARIO, VirtualClock())) as two,
    ):
        ask(one, 0x0C)
        assert two.read(0.5) is None
        assert one.read(0.5) is not None


def test_nothing_but_reads_can_be_sent() -> None:
    with pytest.raises(RefusedError):
        permit(Frame(0.0, 0x7DF, False, b"\x01\x04\x00\x00\x00\x00\x00\x00"))


def test_closing_twice_is_safe() -> None:
    source = SimulatedSource(SCENARIO, VirtualClock())
    source.close()
    source.close()


def test_j1939_broadcast_is_read_and_true() -> None:
    """SAE J1939-71 frames of the same vehicle: shaft speeds as they are, reference torque in packets."""
    decoder, seen = J1939Decoder(), set()
    with closing(SimulatedSource(SCENARIO, VirtualClock(), "j1939")) as source:
        while not source.finished:
            frame = source.read(0.5)
            assert frame is not None
            for reading in decoder.feed(frame):
                seen.add(reading.quantity)
                if reading.quantity == "turbine_rpm":
                    assert reading.value == pytest.approx(source.world.truth().turbine_rpm, abs=0.1)
                elif reading.quantity == "reference_torque_nm":
                    assert reading.value == SCENARIO.unit.signals.reference_nm
    assert seen >= {
        "engine_rpm", "turbine_rpm", "output_rpm", "vehicle_kmh", "gear", "gear_ratio", "lockup", "brake",
        "engine_torque_pct", "friction_torque_pct", "reference_torque_nm", "pedal_pct", "transmission_oil_c",
    }  # fmt: skip
