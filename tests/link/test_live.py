"""Watching live over an adapter: nothing that arrived is lost, and the recording replays to the same call."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest

from livemon.clock import MonotonicClock
from livemon.commands.drive import judge
from livemon.live import Live
from livemon.obd.decode import Decoder
from livemon.obd.schedule import Schedule
from livemon.permit import permit
from livemon.records import Frame
from livemon.run import Run
from livemon.simulate.adapter import Adapter
from livemon.simulate.adapter_faults import Faults
from livemon.simulate.adapter_host import PtyHost
from livemon.simulate.adapter_slcan import Slcan
from livemon.simulate.adapter_unit import ENGINE, TableUnit
from livemon.simulate.adapter_vehicle import VehicleUnit
from livemon.simulate.scenario import draw
from livemon.sources.can_open import CanLink
from livemon.sources.reconnect import Reconnecting
from livemon.store.recorder import Recorder
from livemon.vehicle import Vehicle
from livemon.vehicle_file import load
from livemon.views import result


def test_live_over_an_adapter_and_the_replay_of_its_recording_are_one(bench: Any, tmp_path: Path) -> None:
    """Fifteen seconds of a simulated drive, with noise on the line, in virtual time."""
    scenario = draw("stator_not_holding", 1)
    vehicle, log = tmp_path / "v.toml", tmp_path / "r.log"
    vehicle.write_text(scenario.vehicle_file_text(), encoding="utf-8")
    b = bench(VehicleUnit(scenario), Faults(seed=1, noise=0.01), baud=115200)
    b.device.baud = 115200
    run = Run("inline", Decoder(), load(vehicle))
    recorder = Recorder(log)
    link = Reconnecting(b.link, b.clock, run.tell)
    Live(run, link, Schedule(parallel=False), b.clock, recorder=recorder).drive(
        lambda: b.clock.now_s() > 15.0
    )
    recorder.close()
    live = result.build(run.end())
    replayed = judge(str(log), str(vehicle))
    assert live["recording"]["readings"] > 350
    for key in ("frames", "readings"):
        assert live["recording"][key] == replayed["recording"][key]
    assert live["call"]["finding"] == replayed["call"]["finding"]
    # A recording keeps microseconds, the live run more.
    assert live["probabilities"] == pytest.approx(replayed["probabilities"], abs=1e-3)
    assert len(live["launches"]) == len(replayed["launches"])


class Counting(Adapter):
    """Remembers every answer that it put on the line."""

    shown: list[Frame]

    def _answer(self, frame: Frame, now_s: float) -> None:
        self.shown.append(frame)
        super()._answer(frame, now_s)


def test_no_answer_that_arrived_is_lost(bench: Any) -> None:
    """tests/campaigns/link_soak.py does the same for 30 minutes."""
    b = bench(VehicleUnit(draw("none", 2, miss_share=0.0)))
    b.device.__class__ = Counting
    b.device.shown = []
    source, schedule = b.link(), Schedule(parallel=False)
    got: list[Frame] = []
    while b.clock.now_s() < 60.0:
        while (ask := schedule.next(b.clock.now_s())) is not None:
            source.send(permit(ask))
        if (frame := source.read(schedule.wait_s(b.clock.now_s()))) is not None:
            schedule.feed(frame, b.clock.now_s())
            got += [frame] if 0x7E8 <= frame.can_id <= 0x7EF or frame.can_id & ~0xFF == 0x18DAF100 else []
    got += [f for f in b.drain(source) if f.can_id & 0xFF != 0xF1 and f.can_id not in (0x7DF, 0x7E0, 0x7E1)]
    assert len(got) > 1000
    assert [(f.can_id, f.data) for f in got] == [(f.can_id, f.data) for f in b.device.shown]
    # The time an ask waits for the adapter's prompt is not the vehicle's: nothing counts as unanswered, and
    # so packed asks stay packed.
    assert schedule.counters["unanswered"] == 0
    decoder = Decoder()
    assert sum(r.quantity == "engine_rpm" for f in got for r in decoder.feed(f)) > 20 * 60


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
def test_live_over_slcan_on_a_pseudo_terminal(tmp_path: Path) -> None:
    log = tmp_path / "r.log"
    clock = MonotonicClock()
    core = Slcan(TableUnit({**ENGINE, b"\x01\x00": bytes.fromhex("410000180000")}, delay_s=0.002))
    core.noise = b"\xff\xfet7E8\r"
    with PtyHost(core) as host:
        run = Run("slcan", Decoder(), Vehicle())
        masks = Decoder().wanted_masks
        link = Reconnecting(CanLink("slcan", host.path, 500_000, masks, clock=clock), clock, run.tell)
        recorder = Recorder(log)
        until_s = time.monotonic() + 20.0  # python-can waits two seconds after opening
        Live(run, link, Schedule(), clock, recorder=recorder).drive(
            lambda: run.readings > 100 or time.monotonic() > until_s
        )
        recorder.close()
        link.close()
    drive = run.end()
    assert drive.readings > 100
    assert drive.driven is not None and abs(time.time() - drive.driven.timestamp()) < 60.0
    assert judge(str(log))["recording"]["readings"] == drive.readings
    assert {f.data[1] for f in core.sent if f.data[0] >> 4 == 0} <= {0x01, 0x03, 0x07, 0x09, 0x0A}


def test_the_link_is_kept_busy(bench: Any) -> None:
    """At least 90 % of the answers that control unit and line could give, one PID an ask or several."""
    for packs in (True, False):
        table = {
            b"\x01\x00": bytes.fromhex("410000180000"),
            b"\x01\x0c": bytes.fromhex("410C1AF8"),
            b"\x01\x0d": bytes.fromhex("410D32"),
        }
        b = bench(TableUnit(table, delay_s=0.01, packs=packs), baud=38400)
        source, schedule = b.link(), Schedule(parallel=False)
        while b.clock.now_s() < 20.0:
            if b.clock.now_s() < 10.0:
                before = schedule.counters["answers"]
            while (ask := schedule.next(b.clock.now_s())) is not None:
                source.send(permit(ask))
            if (frame := source.read(schedule.wait_s(b.clock.now_s()))) is not None:
                schedule.feed(frame, b.clock.now_s())
        line_s = 10.0 * len("7E8064100BE3FA81355\r\r>") / 38400
        assert schedule.counters["answers"] - before >= 0.9 * 10.0 / (0.01 + line_s)
