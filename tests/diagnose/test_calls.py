"""Whole drives, made straight from the physics, with one thing wrong in each."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import itertools

from synthetic import VEHICLE, Truth, drive, judged, judged_by  # it lies beside this file

from livemon.diagnose.diagnoser import Diagnoser
from livemon.diagnose.facts import Fact
from livemon.diagnose.said import way
from livemon.records import Estimate, FindingName, Stretch
from livemon.vehicle import Vehicle, of_any_weight

SOUND = Truth()
FAULTS: dict[FindingName, Truth] = {
    "stator_not_holding": Truth(lost=1.0),
    "engine_low_output": Truth(torque_made=0.6),
    "driveline_drag": Truth(drag_force_n=900.0),
    "lockup_shudder": Truth(lock="shudders"),
}
OUTSIDE = {"engine_low_output", "driveline_drag"}


@pytest.mark.parametrize("finding", FAULTS)
def test_fault_is_named_and_placed(finding: FindingName) -> None:
    # A few minutes may be one long climb; drag takes longer to show.
    diagnoser, _ = judged(FAULTS[finding], 1, 900.0 if finding == "driveline_drag" else 240.0)
    call = diagnoser.call()
    assert call.finding == finding, diagnoser.evidence()
    assert call.where == ("outside_transmission" if finding in OUTSIDE else "inside_transmission")
    assert diagnoser.findings()[0].finding == finding
    assert call.because and call.check_next


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("truth", [SOUND, Truth(mass=1.2), Truth(k=1.08), Truth(k=0.93), Truth(grade=0.03)])
def test_sound_vehicle_unlike_its_file_raises_nothing(truth: Truth, seed: int) -> None:
    diagnoser, warnings = judged(truth, seed, 180.0)
    assert diagnoser.call().finding in ("none", "not_enough_evidence"), diagnoser.evidence()
    assert not warnings


@pytest.mark.parametrize("seed", [1, 2])
def test_flat_country_shows_small_drag_and_mountains_are_not_taken_for_it(seed: int) -> None:
    flat, _ = judged(Truth(drag_force_n=450.0, grade=0.004), seed, 240.0)
    assert flat.call().finding == "driveline_drag", flat.evidence()
    mountains, _ = judged(Truth(grade=0.06), seed, 240.0)
    assert mountains.call().finding in ("none", "not_enough_evidence"), mountains.evidence()


def test_lost_stator_is_warned_of_before_the_first_upshift_of_a_launch() -> None:
    _, warnings = judged(FAULTS["stator_not_holding"])
    first = next(w for w in warnings if w.finding == "stator_not_holding" and w.raised)
    upshifts = [
        later.time_s
        for before, later in _pairs(FAULTS["stator_not_holding"])
        if before.regime == "launch" and later.regime == "shift"
    ]
    launches = [
        later.time_s
        for before, later in _pairs(FAULTS["stator_not_holding"])
        if before.regime != "launch" and later.regime == "launch"
    ]
    begun = max(t for t in launches if t < first.time_s)
    assert first.time_s <= min((t for t in upshifts if t > begun), default=1e9) + 0.2


def _pairs(truth: Truth) -> list[tuple[Estimate, Estimate]]:
    items = [e for e in drive(truth, 1, 240.0) if isinstance(e, Estimate)]
    return list(itertools.pairwise(items))


def test_shudder_is_warned_of_within_a_second_and_a_half_of_the_spectrum_showing_it() -> None:
    diagnoser, warnings = judged(FAULTS["lockup_shudder"])
    first = next(w for w in warnings if w.finding == "lockup_shudder" and w.raised)
    begun = max(e.first_s for e in diagnoser.shudder.firm if e.first_s <= first.time_s)
    assert first.time_s - begun <= 2.0 + 1e-9  # the made-up spectrum comes once a second


def test_probabilities_sum_to_one_at_any_time() -> None:
    diagnoser = Diagnoser(VEHICLE)
    for i, item in enumerate(drive(FAULTS["stator_not_holding"], 2, 60.0)):
        diagnoser.feed(item)
        if i % 50 == 0:
            standing = diagnoser.standing()
            assert sum(standing.values()) == pytest.approx(1.0, abs=1e-9)
            assert "not_enough_evidence" not in standing and len(standing) == 9
            assert all(0.0 <= p <= 1.0 for p in standing.values())


def test_nothing_fed_is_not_enough_evidence() -> None:
    diagnoser = Diagnoser(VEHICLE)
    diagnoser.end()
    call = diagnoser.call()
    assert call.finding == "not_enough_evidence" and call.where == "unknown"
    assert diagnoser.launches == [] and diagnoser.findings() == []
    assert any("engine torque" in line for line in diagnoser.cannot_judge)
    assert any("Drive again" in line for line in call.check_next)


def test_no_torque_means_no_stator_and_no_engine_call() -> None:
    diagnoser = Diagnoser(VEHICLE)
    for item in drive(FAULTS["stator_not_holding"], 1, 180.0):
        if isinstance(item, Estimate):
            item = replace(item, engine_torque_nm=None, pump_torque_nm=None, torque_source="")
        diagnoser.feed(item)
    diagnoser.end()
    assert diagnoser.call().finding not in ("stator_not_holding", "engine_low_output", "stator_seized")
    assert any(line.startswith("stator, engine output") for line in diagnoser.cannot_judge)


@pytest.mark.parametrize("lock", ["never", "slips"])
def test_without_torque_nothing_tells_which_way_a_clutch_does_not_hold(lock: str) -> None:
    """K tells an open converter from a worn clutch, and needs torque for it."""
    diagnoser = Diagnoser(VEHICLE)
    for item in drive(Truth(lock=lock), 3, 400.0):
        if isinstance(item, Estimate):
            item = replace(
                item, engine_torque_nm=None, pump_torque_nm=None, capacity_rpm_per_sqrt_nm=None,
                torque_ratio=None, torque_source="",
            )  # fmt: skip
        diagnoser.feed(item)
    diagnoser.end()
    evidence = diagnoser.evidence()
    assert evidence["lockup_slip"] == pytest.approx(evidence["lockup_never_applied"], abs=0.3)
    assert diagnoser.call().finding == "not_enough_evidence"
    assert any("comes on at all" in line for line in diagnoser.cannot_judge)


@pytest.mark.parametrize(("coolant_c", "called"), [(45.0, False), (-40.0, True), (90.0, True)])
def test_a_clutch_kept_off_until_warm_is_not_a_fault(coolant_c: float, called: bool) -> None:
    """-40: no sensor; nothing is known of the coolant then."""
    diagnoser = Diagnoser(VEHICLE)
    diagnoser.note_coolant(coolant_c)
    for item in drive(Truth(lock="never"), 3, 400.0):
        diagnoser.feed(item)
    diagnoser.end()
    assert (diagnoser.call().finding == "lockup_never_applied") == called
    assert any("70 °C" in line for line in diagnoser.cannot_judge) != called


def test_a_lost_reaction_whose_launches_are_like_new_is_a_suspicion(monkeypatch: pytest.MonkeyPatch) -> None:
    """Brakes held on, a start in third gear, spinning wheels: force is missing, K is as it should be."""
    diagnoser = Diagnoser(VEHICLE)
    road = dict.fromkeys(diagnoser.bank.log_finding(), 0.0) | {"stator_not_holding": 12.0}
    monkeypatch.setattr(diagnoser.bank, "log_finding", lambda rated: dict(road))
    for mean, suspected in ((-0.22, False), (0.03, True)):
        monkeypatch.setattr(
            diagnoser.stretches.facts,
            "mean",
            lambda field, regime, mean=mean: Fact(mean, 0.08, 4, 20.0, -0.25) if field == "r_k" else None,
        )
        assert (diagnoser.evidence()["stator_not_holding"] < 2.0) == suspected


def test_slip_that_nobody_saw_under_load_is_a_suspicion(monkeypatch: pytest.MonkeyPatch) -> None:
    diagnoser = Diagnoser(VEHICLE)
    watch = diagnoser.lockup_watch
    monkeypatch.setattr(watch, "log_evidence", lambda: (8.0, -5.0, 0.0))
    watch.totals.applied_s, watch.totals.slipping_s = 60.0, 20.0
    assert diagnoser.evidence()["lockup_slip"] < 3.0
    watch.totals.loaded_s = 10.0  # on under load, and tight
    assert diagnoser.evidence()["lockup_slip"] < 3.0
    watch.totals.slipping_loaded_s = 10.0
    assert diagnoser.evidence()["lockup_slip"] > 5.0


def test_a_clutch_car_never_has_a_converter_fault() -> None:
    """Friction clutch: after a second of slip the engine turns with the wheels, in first gear too."""
    diagnoser = Diagnoser(VEHICLE)
    for item in drive(FAULTS["stator_not_holding"], 1, 480.0):
        if isinstance(item, Estimate) and item.speed_ratio is not None and item.regime in ("launch", "pull"):
            slipping = (item.road_speed_m_s or 0.0) < 2.5
            ratio = 0.6 if slipping else 1.0
            rpm = (item.turbine_rpm or 800.0) / ratio
            item = replace(
                item, engine_rpm=rpm, speed_ratio=ratio, speed_ratio_sd=0.008, slip_rpm=rpm * (1.0 - ratio)
            )
        diagnoser.feed(item)
    diagnoser.end()
    assert diagnoser.presence.clutch_car
    standing = diagnoser.standing()
    assert standing["stator_not_holding"] < 0.05
    assert diagnoser.call().where != "inside_transmission"
    assert any("without slip" in line for line in diagnoser.cannot_judge)


def test_launch_records_carry_what_the_stator_does() -> None:
    lost, _ = judged(FAULTS["stator_not_holding"])
    sound, _ = judged(SOUND)

    def mean(launches: list[Stretch], field: str) -> float:
        values = [getattr(launch, field) for launch in launches if getattr(launch, field) is not None]
        return float(sum(values) / len(values))

    assert len(lost.launches) >= 3
    assert mean(lost.launches, "r_k") < -0.1 < mean(sound.launches, "r_k")
    assert mean(lost.launches, "r_t") < -0.2 < mean(sound.launches, "r_t")
    for launch in lost.launches:
        assert launch.end_s > launch.start_s and launch.samples > 0
        assert launch.r_k_sd is None or launch.r_k_sd > 0.03


def test_weak_engine_leaves_its_mark_in_every_regime() -> None:
    weak, _ = judged(FAULTS["engine_low_output"])
    sound, _ = judged(SOUND)
    for regime in ("launch", "pull", "locked"):
        of = [
            [r.r_t for r in d.stretches.records if r.regime == regime and r.r_t is not None]
            for d in (weak, sound)
        ]
        assert sum(of[0]) / len(of[0]) < sum(of[1]) / len(of[1]) - 0.15


def test_stream_is_the_same_however_it_is_cut() -> None:
    """Feeding is one item at a time; asking in between must change nothing."""
    asked, quiet = Diagnoser(VEHICLE), Diagnoser(VEHICLE)
    for i, item in enumerate(drive(FAULTS["driveline_drag"], 3, 90.0)):
        asked.feed(item)
        quiet.feed(item)
        if i % 7 == 0:
            asked.standing(), asked.findings(), asked.call(), asked.lockup()
    asked.end(), quiet.end()
    assert asked.standing() == quiet.standing()
    assert asked.launches == quiet.launches


@pytest.mark.parametrize("field", ["pump_torque_nm", "road_accel_m_s2", "engine_rpm"])
def test_one_absurd_stretch_cannot_decide(field: str) -> None:
    """Three seconds of nonsense in the middle of a sound drive raise no fault above one in two."""
    diagnoser = Diagnoser(VEHICLE)
    for item in drive(Truth(), 4, 150.0):
        if isinstance(item, Estimate) and 60.0 < item.time_s < 63.0:
            item = replace(item)
            setattr(item, field, 0.35 * (getattr(item, field) or 0.0))
        diagnoser.feed(item)
    diagnoser.end()
    assert max(p for name, p in diagnoser.standing().items() if name != "none") < 0.5


def test_without_a_mass_no_weak_engine_is_called() -> None:
    """K alone tells it from no other converter, and what speaks J1939 may weigh anything."""
    file = of_any_weight(replace(VEHICLE, mass_kg=Vehicle().mass_kg))
    d, _ = judged_by(file, Truth(torque_made=0.6), 1, 240.0)
    assert d.evidence()["engine_low_output"] <= 0.0 and d.evidence()["driveline_drag"] <= 0.0
    assert d.call().finding not in ("engine_low_output", "driveline_drag")


def test_a_sound_vehicle_is_not_exonerated_by_a_mean_that_misses_it() -> None:
    assert way(Fact(0.5, 0.1, 3, 40.0), {"none": 0.0, "stator_not_holding": -0.5}, "none") == "against"
    assert way(Fact(0.1, 0.1, 3, 40.0), {"none": 0.0, "stator_not_holding": -0.5}, "none") == "for"
