"""A drive watched live on a CAN bus ends in the call that the replay of its own recording ends in."""

from __future__ import annotations

from pathlib import Path

import pytest

from livemon.clock import VirtualClock
from livemon.commands.drive import replay_recording
from livemon.live import Live
from livemon.obd.decode import Decoder
from livemon.obd.schedule import Schedule
from livemon.run import Run
from livemon.simulate.scenario import draw
from livemon.sources.reconnect import Reconnecting
from livemon.sources.simulated import SimulatedSource
from livemon.store.recorder import Recorder
from livemon.vehicle_file import parse


def test_live_on_a_bus_and_its_replay_end_in_the_same_call(tmp_path: Path) -> None:
    scenario = draw(
        "stator_not_holding", 9, 60.0, style="demonstration", torque="reported", answer_s=(0.02, 0.035)
    )
    vehicle = parse(scenario.vehicle_file_text(), "test")
    clock, path = VirtualClock(), tmp_path / "drive.log"
    source = SimulatedSource(scenario, clock)
    live = Run("live", Decoder(), vehicle)
    recorder = Recorder(path)
    Live(
        live, Reconnecting(lambda: source, clock, live.tell), Schedule(), clock, recorder=recorder
    ).drive(lambda: source.finished)  # fmt: skip
    recorder.close()
    watched = live.end()
    again = Run("replay", Decoder(), vehicle)
    replay_recording(again, str(path), pace=0.0, stop=lambda: False)
    replayed = again.end()
    assert watched.readings == replayed.readings
    assert watched.call.finding == replayed.call.finding == "stator_not_holding"
    assert watched.probabilities == pytest.approx(dict(replayed.probabilities), abs=1e-3)
