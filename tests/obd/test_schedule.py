"""The poll schedule against scripted control units, in virtual time."""

from __future__ import annotations

import random
import sys
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from scripted_units import Bench, Unit, counts  # it lies beside this file

from livemon.estimate import Estimator
from livemon.obd.schedule import Schedule
from livemon.permit import permit
from livemon.records import Estimate, Frame, Regime
from livemon.vehicle import Vehicle


@pytest.mark.parametrize("extended", [False, True])
@pytest.mark.parametrize("most", [1, 2, 6])
def test_finds_the_unit_and_keeps_it_busy(extended: bool, most: int) -> None:
    unit = Unit(can_id=0x18DAF110 if extended else 0x7E8, extended=extended, most=most)
    bench = Bench(Schedule(), [unit])
    bench.run(5.0)
    bench.readings.clear()
    start, started_s = len(bench.asks), bench.now_s
    bench.run(25.0)
    # The unit takes 10 ms on average (and a few more where an answer needs several frames), so it can
    # answer 100 asks a second; at least nine in ten of those are to be had.
    per_s = (len(bench.asks) - start) / (bench.now_s - started_s)
    assert per_s >= (90.0 if most < 6 else 75.0)
    assert bench.schedule.answering
    seen = counts(bench.readings)
    assert seen["engine_rpm"] / 20.0 >= (30.0 if most == 1 else 60.0)
    assert {"engine_rpm", "vehicle_kmh", "engine_torque_pct", "pedal_pct", "gear", "coolant_c"} <= set(seen)
    assert bench.decoder.vin == "1LIVEMONTESTV0001"
    assert bench.decoder.codes["stored"] == {
        "P0741": "Torque Converter Clutch Circuit Performance or Stuck Off"
    }


def test_no_idle_time_between_answer_and_next_ask() -> None:
    bench = Bench(Schedule(extended=False), [Unit(delay_s=0.03, most=1)])
    bench.run(30.0)
    # What the link can give: one answer every 30 ms.
    assert bench.schedule.counters["answers"] >= 0.9 * 30.0 / 0.03


@pytest.mark.parametrize("loss", [0.02, 0.1])
def test_lost_answers_cost_little(loss: float) -> None:
    bench = Bench(Schedule(extended=False), [Unit(delay_s=0.02, loss=loss)])
    bench.run(60.0)
    unit = bench.schedule.units[0x7E8]
    assert unit.most == 6, "silence of the link is not a unit that cannot take packed asks"
    answered = bench.schedule.counters["answers"] / 60.0
    assert answered >= 0.9 / (0.026 + loss * 0.1)
    assert not unit.plan or all(until < 60.0 for until in unit.plan._banned_s.values())


def test_locked_spends_the_rate_on_engine_speed() -> None:
    bench = Bench(Schedule(extended=False), [Unit(delay_s=0.03, most=1)])
    bench.run(5.0)
    share = {}
    regimes: tuple[Regime, ...] = ("launch", "locked", "pull")
    for regime in regimes:
        bench.schedule.regime = regime
        bench.readings.clear()
        bench.run(bench.now_s + 20.0)
        seen = counts(bench.readings)
        share[regime] = {name: count / sum(seen.values()) for name, count in seen.items()}
    assert share["locked"]["engine_rpm"] > 0.65
    for name in ("engine_rpm", "vehicle_kmh", "engine_torque_pct"):
        assert share["launch"][name] > 0.2
    assert share["locked"]["vehicle_kmh"] > 0.05
    assert share["pull"]["engine_rpm"] > share["pull"]["pedal_pct"] > 0.03


def test_a_diesel_without_torque_is_asked_its_fuel_rate_and_gets_a_torque_from_it() -> None:
    pids = (0x0C, 0x0D, 0x10, 0x11, 0x43, 0x49, 0x5E)
    shares = {}
    for fuel in ("diesel", "petrol", None):
        bench = Bench(Schedule(extended=False, fuel=fuel), [Unit(pids=pids, delay_s=0.03, most=1)])
        bench.run(40.0)
        seen = counts(bench.readings)
        shares[fuel] = {name: count / seen["engine_rpm"] for name, count in seen.items()}
        if fuel == "diesel":
            estimator = Estimator(Vehicle(fuel=fuel, displacement_l=2.0))
            told = [e for reading in bench.readings for e in estimator.feed(reading)]
            told += estimator.end()
            assert "fuel_rate" in {e.torque_source for e in told if isinstance(e, Estimate)}
    assert shares["diesel"]["fuel_rate_l_h"] == pytest.approx(0.5, abs=0.1), "torque's share"
    assert not {"air_flow_g_s", "absolute_load_pct"} & set(shares["diesel"]), "they say nothing of a diesel"
    assert shares["petrol"]["air_flow_g_s"] == pytest.approx(0.5, abs=0.1)
    assert "fuel_rate_l_h" not in shares["petrol"]
    assert 0.05 < shares[None]["fuel_rate_l_h"] < 0.2, "a recording may get its vehicle file later"


@pytest.mark.parametrize(("fuel", "asked"), [("petrol", True), ("diesel", False), (None, True)])
def test_a_throttle_is_asked_only_where_it_can_stand_in_for_the_pedal(fuel: str | None, asked: bool) -> None:
    bench = Bench(Schedule(extended=False, fuel=fuel), [Unit(pids=(0x0C, 0x0D, 0x11, 0x45, 0x62))])
    bench.run(10.0)
    seen = counts(bench.readings)
    assert ("throttle_pct" in seen) == asked
    assert "relative_throttle_pct" not in seen, "nothing reads it"


def test_after_a_long_locked_stretch_a_launch_is_served_at_once() -> None:
    bench = Bench(Schedule(extended=False), [Unit(delay_s=0.03)])
    bench.schedule.regime = "locked"
    bench.run(100.0)
    bench.schedule.regime = "launch"
    bench.readings.clear()
    bench.run(100.5)
    seen = counts(bench.readings)
    assert min(seen[name] for name in ("engine_rpm", "vehicle_kmh", "engine_torque_pct")) >= 8


@pytest.mark.parametrize("ignores_long", [False, True])
def test_learns_how_many_pids_an_ask_may_hold(ignores_long: bool) -> None:
    bench = Bench(Schedule(extended=False), [Unit(most=1, ignores_long=ignores_long)])
    bench.run(5.0)
    assert bench.schedule.units[0x7E8].most == 1
    bench.readings.clear()
    bench.run(10.0)
    assert counts(bench.readings)["engine_rpm"] > 5 * 30


def test_two_units_each_asked_what_the_other_does_not_have() -> None:
    engine = Unit(pids=(0x05, 0x0C, 0x0D, 0x62))
    transmission = Unit(pids=(0x0C, 0x0D, 0xA4), can_id=0x7E9)
    for parallel in (True, False):
        bench = Bench(Schedule(extended=False, parallel=parallel), [engine, transmission])
        bench.run(10.0)
        seen = counts(bench.readings)
        assert 30 < seen["gear"] < 0.5 * seen["engine_rpm"], "the helper is asked, not pestered"
        assert seen["engine_rpm"] > 300
        assert bench.decoder.counters["second_source"] == 0
        if not parallel:
            times = sorted(time_s for time_s, ask in bench.asks if ask.can_id != 0x7DF)
            gaps = [b - a for a, b in pairwise(times)]
            assert min(gaps) > 0.007, "one ask at a time in all"


def test_unit_that_answers_broadcast_asks_only() -> None:
    bench = Bench(Schedule(), [Unit(physical=False)])
    bench.run(10.0)
    bench.readings.clear()
    bench.run(20.0)
    assert counts(bench.readings)["engine_rpm"] > 500


def test_silence_is_met_with_pauses_and_never_with_giving_up() -> None:
    unit = Unit(silent=True)
    bench = Bench(Schedule(), [unit])
    bench.run(60.0)
    assert not bench.schedule.answering
    assert 20 < len(bench.asks) < 80, "both widths keep being tried, without flooding the bus"
    assert {ask.can_id for _, ask in bench.asks} == {0x7DF, 0x18DB33F1}
    unit.silent = False
    bench.run(64.0)
    assert bench.schedule.answering, "the ignition came on"
    for off_s, on_s in ((70.0, 71.0), (80.0, 100.0)):
        bench.run(off_s)
        unit.silent = True
        start = len(bench.asks)
        bench.run(on_s)
        assert 3 <= len(bench.asks) - start <= 40
        unit.silent = False
        bench.readings.clear()
        bench.run(on_s + 3.5)
        assert counts(bench.readings)["engine_rpm"] > 70


def test_slower_than_thought_answers_are_heard_and_waited_for() -> None:
    unit = Unit(delay_s=0.01, most=1)
    bench = Bench(Schedule(extended=False), [unit])
    bench.run(10.0)
    unit.delay_s = 0.2
    bench.run(20.0)
    assert bench.schedule.counters["late_answers"] > 0
    start = bench.schedule.counters["answers"]
    bench.run(30.0)
    assert bench.schedule.counters["answers"] - start >= 0.9 * 10 / 0.2


def test_refused_pid_is_left_alone() -> None:
    bench = Bench(Schedule(extended=False), [Unit(most=1, negative={0x62: 0x12, 0x49: 0x21})])
    bench.run(30.0)
    asked = Counter(ask.data[2] for _, ask in bench.asks if ask.data[0] == 2 and ask.data[1] == 1)
    assert asked[0x62] <= 3
    assert asked[0x49] > 20, "busy is not a no"
    assert bench.decoder.counters["negative_12"] >= 1


def test_unit_without_support_masks_is_asked_the_common_pids() -> None:
    class Bare(Unit):
        def value(self, pid: int) -> bytes:
            return bytes((0, 0, 0, 0, 0)) if pid == 0 else super().value(pid)

    bench = Bench(Schedule(extended=False), [Bare(pids=(0x0C, 0x0D))])
    bench.run(20.0)
    assert counts(bench.readings)["engine_rpm"] > 300
    assert counts(bench.readings)["vehicle_kmh"] > 100


def test_restart_after_a_lost_link() -> None:
    bench = Bench(Schedule(extended=False), [Unit()])
    bench.run(5.0)
    bench.schedule.restart(bench.now_s)
    bench.readings.clear()
    bench.run(8.0)
    assert counts(bench.readings)["engine_rpm"] > 100
    asked = [ask.data for _, ask in bench.asks]
    assert sum(data[1] == 0x09 for data in asked) == 1, "VIN and codes are not asked again"


def test_random_bytes_never_raise() -> None:
    rng = random.Random(3)
    schedule = Schedule()
    now_s = 0.0
    for _ in range(10000):
        now_s += rng.uniform(0.0, 0.01)
        ask = schedule.next(now_s)
        if ask is not None:
            permit(ask)
        if rng.random() < 0.3 and ask is not None and not ask.extended and ask.can_id != 0x7DF:
            start = bytes((rng.randrange(8), ask.data[1] + 0x40, ask.data[2]))
        else:
            start = rng.choice(
                (b"", b"\x06\x41\x00", b"\x03\x7f\x01", b"\x10\x20\x41", b"\x21", b"\x04\x41\x0c")
            )
        data = (start + rng.randbytes(rng.randrange(9)))[:8]
        schedule.feed(Frame(now_s, rng.choice((0x7E8, 0x7E9, 0x18DAF110)), rng.random() < 0.1, data), now_s)
        assert schedule.wait_s(now_s) > 0.0


@pytest.mark.parametrize(("others", "often"), [((), True), ((0x10,), False)])
def test_calculated_load_is_asked_often_where_it_is_all_there_is(
    others: tuple[int, ...], often: bool
) -> None:
    unit = Unit(pids=(0x04, 0x0C, 0x0D, 0x49, *others), delay_s=0.03, most=1)
    bench = Bench(Schedule(extended=False, fuel="petrol"), [unit])
    bench.run(40.0)
    seen = counts(bench.readings)
    assert (seen["calculated_load_pct"] > 0.3 * seen["engine_rpm"]) == often
    assert seen["calculated_load_pct"] >= 5
