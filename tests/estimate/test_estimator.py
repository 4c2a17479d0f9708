"""The whole estimator: chopping, damage, simulated drives, the real car, the car without a converter."""

from __future__ import annotations

import csv
import random
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from math import inf, nan
from pathlib import Path
from statistics import median

import pytest

from livemon.estimate import Estimator
from livemon.estimate.estimator import BLOCK_S, LOOK_AHEAD_S
from livemon.estimate.standstill import Standstill
from livemon.estimate.vehicle_state import DOUBT_S, STANDS_S
from livemon.obd.decode import Decoder
from livemon.records import Estimate, Oscillation, Reading
from livemon.simulate.causes import Truth
from livemon.simulate.fast import drive
from livemon.simulate.scenario import draw
from livemon.sources.recording import open_recording
from livemon.vehicle import Known, Vehicle
from livemon.vehicle_file import load

SHARED = Path(__file__).parents[3] / "shared" / "data" / "recordings"
needs_recordings = pytest.mark.skipif(not SHARED.is_dir(), reason="needs the shared recordings")

FIVE_SPEED = Vehicle(
    gear_ratios=(4.0, 2.4, 1.5, 1.0, 0.7),
    final_drive=3.5,
    tyre_radius_m=Known(0.33, 0.004),
    displacement_l=2.0,
    fuel="petrol",
    peak_torque_nm=200.0,
    stall_speed_rpm=2300.0,
)


@cache
def simulated(seed: int, seconds: float = 150.0) -> tuple[list[Reading], list[Truth], str]:
    scenario = draw("none", seed, seconds, readings_per_s=30.0, order="smart", style="mixed")
    moving, decoder = drive(scenario, keep_truth=True), Decoder()
    readings: list[Reading] = []
    for frame in moving:
        readings += decoder.feed(frame)
    return readings, moving.history, scenario.vehicle_file_text()


def vehicle_of(text: str, tmp_path: Path) -> Vehicle:
    path = tmp_path / "v.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


def run(vehicle: Vehicle, readings: Iterable[Reading]) -> tuple[list[Estimate], Estimator]:
    estimator, out = Estimator(vehicle), list[Estimate | Oscillation]()
    for reading in readings:
        out += estimator.feed(reading)
    out += estimator.end()
    return [e for e in out if isinstance(e, Estimate)], estimator


def test_one_estimate_for_each_engine_speed_in_time_order(tmp_path: Path) -> None:
    readings, _, text = simulated(5)
    estimates, _ = run(vehicle_of(text, tmp_path), readings)
    assert [e.time_s for e in estimates] == [r.time_s for r in readings if r.quantity == "engine_rpm"]


def test_settles_within_a_second_and_in_doubt_soon_after(tmp_path: Path) -> None:
    readings, _, text = simulated(5)
    estimator = Estimator(vehicle_of(text, tmp_path))
    before = 0.0
    waits = []
    for reading in readings:
        silent = reading.time_s - before  # a block can only end with a reading
        before = reading.time_s
        for e in estimator.feed(reading):
            if isinstance(e, Estimate):
                wait = reading.time_s - e.time_s - silent
                stands = e.regime in ("stationary_in_gear", "neutral")
                assert wait <= (STANDS_S if stands else DOUBT_S) + BLOCK_S
                assert wait <= 1.0 or e.regime != "launch" or e.gear != 1
                if not stands:
                    waits.append(wait)
    assert sum(wait <= 1.0 for wait in waits) > 0.6 * len(waits)


def test_a_look_at_swings_never_comes_before_the_estimates_beside_it(tmp_path: Path) -> None:
    """They tell the shift that shook the driveline."""
    readings, _, text = simulated(5)
    estimator = Estimator(vehicle_of(text, tmp_path))
    waiting = [r.time_s for r in readings if r.quantity == "engine_rpm"]
    looks = done = 0
    for out in [*map(estimator.feed, readings), estimator.end()]:
        for item in out:
            if isinstance(item, Estimate):
                done += 1
            else:
                looks += 1
                assert done == len(waiting) or waiting[done] > item.time_s - LOOK_AHEAD_S
    assert looks > 50 and done == len(waiting)


def test_slip_is_true_on_a_sound_drive(tmp_path: Path) -> None:
    readings, truth, text = simulated(5)
    estimates, _ = run(vehicle_of(text, tmp_path), readings)
    errors, inside = [], 0
    for e in estimates:
        t = truth[min(len(truth) - 1, max(0, round(e.time_s / 0.008) - 1))]
        if e.slip_rpm is None or t.shifting or t.gear == 0:
            continue
        errors.append(abs(e.slip_rpm - (t.engine_rpm - t.turbine_rpm)))
        inside += errors[-1] < 2.0 * e.slip_sd_rpm
    assert median(errors) < 20.0
    assert inside / len(errors) > 0.85


def test_damage_is_survived_and_counted(tmp_path: Path) -> None:
    readings, _, text = simulated(5)
    rng = random.Random(1)
    damaged: list[Reading] = []
    for reading in readings:
        if rng.random() < 0.03:
            damaged.append(reading._replace(value=rng.choice((nan, inf, -5.0, 1e9))))
        if rng.random() < 0.02:
            damaged.append(reading._replace(time_s=reading.time_s - rng.choice((0.0, 5.0, 3600.0))))
        if rng.random() < 0.98:
            damaged.append(reading)
    damaged.append(Reading(nan, "engine_rpm", 800.0))
    estimates, estimator = run(vehicle_of(text, tmp_path), damaged)
    assert len(estimates) > 0.9 * sum(r.quantity == "engine_rpm" for r in readings)
    assert estimator.counters["not_a_number"] > 0
    assert estimator.counters["absurd_values"] > 0
    assert estimator.counters["time_reversed"] > 0


@pytest.mark.parametrize("step_s", [-3600.0, 7200.0])
def test_a_clock_step_or_gap_is_survived(step_s: float, tmp_path: Path) -> None:
    readings, _, text = simulated(5)
    half = len(readings) // 2
    moved = readings[:half] + [r._replace(time_s=r.time_s + step_s) for r in readings[half:]]
    estimates, estimator = run(vehicle_of(text, tmp_path), moved)
    assert len(estimates) > 0.97 * sum(r.quantity == "engine_rpm" for r in readings)
    assert estimator.counters["clock_steps"] == (1 if step_s < 0.0 else 0)


def standing(start_s: float, seconds: float) -> Iterator[Reading]:
    """Idling in gear with the brake on."""
    for i in range(round(20.0 * seconds)):
        t = start_s + 0.05 * i
        yield Reading(t, "engine_rpm", 750.0 + 0.25 * (i % 7), 0.25)
        if i % 4 == 0:
            yield Reading(t + 0.01, "vehicle_kmh", 0.0, 1.0)
            yield Reading(t + 0.02, "engine_torque_nm", 25.0)


def test_a_clock_set_back_while_standing_is_survived() -> None:
    """The stop goes on: what is remembered of it must not be aged by a time that runs backwards."""
    estimates, estimator = run(FIVE_SPEED, [*standing(5000.0, 12.0), *standing(1000.0, 12.0)])
    assert estimator.counters["clock_steps"] == 1
    after = [e for e in estimates if e.time_s < 2000.0]
    assert len(after) > 230
    assert all(e.regime == "stationary_in_gear" for e in after)


def test_memory_is_bounded_while_standing() -> None:
    """Nobody looks for swings at a standstill, and a vehicle may idle for hours."""
    estimator = Estimator(Vehicle())
    for reading in standing(0.0, 60.0):
        estimator.feed(reading)
    assert len(estimator._swings._t) < 60


def test_memory_is_bounded(tmp_path: Path) -> None:
    readings, _, text = simulated(5)
    estimator = Estimator(vehicle_of(text, tmp_path))
    for reading in readings:
        estimator.feed(reading)
    state = estimator._state
    assert len(state.seen.engine.track.t) < 100
    assert len(state.seen.road.track.t) < 100
    assert len(state._ticks) < 40
    assert len(state.seen.speeds) < 40


def test_a_broadcast_turbine_is_used_and_its_silence_is_a_gap() -> None:
    readings = []
    for i in range(1200):
        t = 0.02 * i
        readings.append(Reading(t, "engine_rpm", 1500.0 + t, 0.25))
        readings.append(Reading(t + 0.003, "vehicle_kmh", 40.0, 1.0))
        if t < 12.0:
            readings.append(Reading(t + 0.005, "turbine_rpm", 1450.0 + t, 0.25))
    estimates, _ = run(Vehicle(), readings)
    early = [e for e in estimates if 1.0 < e.time_s < 11.5]
    late = [e for e in estimates if e.time_s > 13.0]
    assert all(e.slip_rpm == pytest.approx(50.0, abs=1.0) for e in early)
    assert all(e.turbine_rpm is None for e in late)


def test_a_finer_source_of_road_speed_that_falls_silent_is_replaced_by_the_coarser() -> None:
    """Left alone for good, the rest of the drive would have no road speed though the vehicle tells it."""
    readings = []
    for i in range(800):
        t = 0.05 * i
        readings.append(Reading(t, "engine_rpm", 2500.0, 0.25))
        if t < 15.0:
            readings.append(Reading(t + 0.01, "output_rpm", 1660.0))
        if i % 4 == 0:
            readings.append(Reading(t + 0.02, "vehicle_kmh", 59.0, 1.0))
    estimates, _ = run(FIVE_SPEED, readings)
    assert all(e.turbine_rpm is not None for e in estimates if 2.0 < e.time_s < 14.0)
    late = [e for e in estimates if e.time_s > 25.0]
    assert late and all(e.turbine_rpm is not None for e in late)
    assert all(e.road_speed_m_s == pytest.approx(59.5 / 3.6, abs=0.3) for e in late)


def test_road_speed_lost_at_a_stop_does_not_mean_standing_for_ever() -> None:
    readings = list(standing(0.0, 10.0))
    readings += [Reading(10.0 + 0.05 * i, "engine_rpm", 2500.0, 0.25) for i in range(800)]
    estimates, _ = run(Vehicle(), readings)
    assert any(e.road_speed_m_s == 0.0 for e in estimates if e.time_s < 9.0)
    late = [e for e in estimates if e.time_s > 20.0]
    assert late and all(e.road_speed_m_s is None and e.regime == "unknown" for e in late)


def test_without_a_vehicle_file_the_gears_are_found() -> None:
    """Two gears held while the speed changes, as locked driving does."""
    readings, t = [], 0.0
    rng = random.Random(2)
    for ratio in (54.0, 39.0, 54.0, 39.0):
        v = 40.0
        for _ in range(160):
            v += 0.12
            readings.append(Reading(t, "engine_rpm", round(ratio * v * 4.0) / 4.0, 0.25))
            readings.append(Reading(t + 0.02, "vehicle_kmh", float(int(v)), 1.0))
            t += rng.uniform(0.08, 0.12)
    estimates, estimator = run(Vehicle(), readings)
    found = estimator.found_rpm_per_kmh
    assert len(found) == 2
    assert found[0] == pytest.approx(54.0, rel=0.02)
    assert found[1] == pytest.approx(39.0, rel=0.02)
    assert sum(e.regime == "locked" for e in estimates) > 0.4 * len(estimates)


def decoded(path: Path) -> list[Reading]:
    decoder, start = Decoder(), None
    out: list[Reading] = []
    for frame in open_recording(path):
        start = frame.time_s if start is None else start
        out += decoder.feed(frame._replace(time_s=frame.time_s - start))
    return out


@needs_recordings
def test_real_car() -> None:
    """A converter car's drive, whole km/h every 90 ms; its own turbine speed is the truth."""
    ratios, radius, final = (124.0, 86.0, 54.3, 39.6), 0.32, 3.5
    vehicle = Vehicle(
        gear_ratios=tuple(k * radius / final / 2.65258 for k in ratios),
        final_drive=final,
        tyre_radius_m=Known(radius, 0.01 * radius),
    )
    with (SHARED / "car_truth.csv").open(encoding="ascii") as file:
        rows = [r for r in csv.reader(file)][1:]
    times = [float(r[0]) for r in rows if r[2]]
    turbine = [float(r[2]) for r in rows if r[2]]
    estimates, _ = run(vehicle, decoded(SHARED / "car_obd.log"))
    errors, inside = [], 0
    for e in estimates:
        if e.turbine_rpm is None:
            continue
        true = turbine[min(bisect_left(times, e.time_s), len(times) - 1)]
        errors.append(abs(e.turbine_rpm - true))
        inside += errors[-1] < 2.0 * e.turbine_sd_rpm
    assert inside / len(errors) >= 0.9
    locked = [e for e in estimates if e.time_s < 3.0 or e.time_s > 32.5]
    assert median(abs(e.slip_rpm or 0.0) for e in locked) < 20.0


@needs_recordings
def test_a_car_without_a_converter_lets_nothing_slip_but_its_clutch() -> None:
    """Gears found or not, a friction clutch in gear slips only while the car pulls away or shifts."""
    estimates, _ = run(Vehicle(), decoded(SHARED / "clutch_car_obd.log"))
    driven = [e for e in estimates if e.speed_ratio is not None and (e.road_speed_m_s or 0.0) > 8.0]
    off = [e for e in driven if abs(1.0 - (e.speed_ratio or 0.0)) > 0.05 + 2.0 * e.speed_ratio_sd]
    assert len(driven) > 50
    assert len(off) < 0.1 * len(driven)


def _same(a: Sequence[Estimate], b: Sequence[Estimate]) -> bool:
    return len(a) == len(b) and all(x == y for x, y in zip(a, b, strict=True))


def test_a_clock_set_back_at_a_stop_is_no_end_of_the_drive(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []
    smoothed = Standstill.smoothed

    def watch(self: Standstill, ends: bool) -> Iterator[float]:
        asked.append(ends)
        return smoothed(self, ends)

    monkeypatch.setattr(Standstill, "smoothed", watch)
    estimator = Estimator(FIVE_SPEED)
    for start_s in (0.0, 1000.0, 500.0):  # the clock goes back between the last two
        for i in range(100):
            estimator.feed(Reading(start_s + 0.1 * i, "engine_rpm", 750.0))
            estimator.feed(Reading(start_s + 0.1 * i + 0.05, "vehicle_kmh", 0.0, 1.0))
    assert estimator.counters["clock_steps"] == 1 and asked and not any(asked)
    estimator.end()
    assert asked[-1]


def test_how_the_readings_arrive_changes_nothing(tmp_path: Path) -> None:
    """Asking for `now` in between, or feeding in bursts, leaves what is settled as it was."""
    readings, _, text = simulated(5)
    vehicle = vehicle_of(text, tmp_path)
    plain, _ = run(vehicle, readings)
    estimator, out, rng = Estimator(vehicle), list[Estimate](), random.Random(3)
    i = 0
    while i < len(readings):
        burst = rng.randint(1, 40)
        for reading in readings[i : i + burst]:
            out += [e for e in estimator.feed(reading) if isinstance(e, Estimate)]
        _ = estimator.now
        i += burst
    out += [e for e in estimator.end() if isinstance(e, Estimate)]
    assert _same(plain, out)


def test_the_newest_estimate_stands_as_soon_as_the_vehicle_does(tmp_path: Path) -> None:
    """What is settled comes later; whoever looks at a screen sees the stop when it happens."""
    readings, _, text = simulated(5)
    estimator, zero_s, regimes = Estimator(vehicle_of(text, tmp_path)), None, []
    for reading in readings:
        estimator.feed(reading)
        if reading.quantity == "vehicle_kmh":
            zero_s = None if reading.value > 0.0 else zero_s or reading.time_s
        elif reading.quantity == "engine_rpm" and zero_s is not None and reading.time_s > max(zero_s, 20.0):
            assert estimator.now is not None
            regimes.append((reading.time_s - zero_s, estimator.now.regime))
    assert sum(since_s < 0.5 for since_s, _ in regimes) > 10
    assert {regime for _, regime in regimes} == {"stationary_in_gear"}
