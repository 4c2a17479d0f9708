"""Past the coupling point: speed ratio against torque, with the clutch on as the other explanation."""

from __future__ import annotations

import sys
from dataclasses import replace
from math import log, sqrt
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import BARE, VEHICLE, Truth, drive, judged  # it lies beside this file

from livemon.arrays import Array
from livemon.converter.curves import at
from livemon.diagnose.bank import Bank
from livemon.diagnose.diagnoser import Diagnoser
from livemon.diagnose.hypotheses import hypotheses
from livemon.diagnose.looks import Looks
from livemon.diagnose.nuisance import SIZE, State, prior
from livemon.diagnose.slip_look import SlipLook, SlipLooks
from livemon.diagnose.windows import Window, WindowMaker
from livemon.records import Estimate, Regime
from livemon.vehicle import curves_of

CURVES = curves_of(VEHICLE)
ROWS = hypotheses()
HELD = next(i for i, row in enumerate(ROWS) if row.held_k == 1.0)


def window(ratio: float, torque_nm: float, rpm: float, gear: int = 1, regime: Regime = "pull") -> Window:
    maker = WindowMaker()
    for i in range(8):
        maker.feed(
            Estimate(
                time_s=0.1 * i,
                engine_rpm=rpm,
                regime=regime,
                turbine_rpm=ratio * rpm,
                speed_ratio=ratio,
                speed_ratio_sd=0.004,
                gear=gear,
                gear_probability=0.99,
                road_speed_m_s=8.0,
                engine_torque_nm=torque_nm,
                pump_torque_nm=torque_nm,
                pump_torque_sd_nm=2.0,
                torque_source="reported",
            )
        )
    done = maker.end()
    assert done is not None
    return done


def test_a_first_gear_that_looks_locked_says_nothing() -> None:
    """Some boxes close the clutch there, and a held stator would run as fast."""
    w = window(1.0, 90.0, 1900.0, regime="locked")
    assert look(w) is None
    assert look(replace(w, gear=2)) is not None
    assert look(replace(w, regime="pull")) is not None


def look(w: Window) -> SlipLook | None:
    looks = SlipLooks(CURVES, prior(VEHICLE, CURVES), ROWS)
    return looks.look(w, np.zeros((len(ROWS), SIZE))) if looks.takes(w, released=False) else None


@pytest.mark.parametrize("ratio", [0.91, 0.93, 0.95])
def test_a_working_converter_runs_where_its_curve_says(ratio: float) -> None:
    rpm = at(CURVES.k, ratio) * sqrt(100.0)
    seen = look(window(ratio, 100.0, rpm))
    assert seen is not None
    assert seen.off[0] == pytest.approx(0.0, abs=0.003)
    assert seen.off[HELD] < -0.02  # a held stator would have run closer to equal speeds


def test_equal_speeds_under_torque_fit_a_held_stator_alone() -> None:
    rpm = at(CURVES.k_seized, 0.995) * sqrt(60.0)
    seen = look(window(0.995, 60.0, rpm))
    assert seen is not None
    assert abs(seen.off[HELD]) < 0.01
    assert seen.off[0] > 0.02
    assert seen.share_on[0] < 0.05  # no clutch explains it in first gear


@pytest.mark.parametrize(
    "w", [window(0.8, 100.0, 2500.0), window(0.95, 3.0, 2500.0), window(0.95, 80.0, 2500.0, 4)]
)
def test_says_nothing_below_coupling_without_torque_or_above_second_gear(w: Window) -> None:
    assert look(w) is None


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_clutch_that_comes_on_in_second_gear_is_no_held_stator(seed: int) -> None:
    diagnoser, warnings = judged(Truth(lock_from=(2, 5.0)), seed, 240.0)
    assert diagnoser.standing()["stator_seized"] < 0.2
    assert not warnings


def test_a_worn_one_way_clutch_holds_light_launches_and_lets_go_until_coupling() -> None:
    looks = Looks(VEHICLE, CURVES, prior(VEHICLE, CURVES), ROWS)
    weak = next(i for i, row in enumerate(ROWS) if row.holds)
    at_rest = np.zeros((len(ROWS), SIZE))

    def off(ratio: float, torque_nm: float) -> float:
        """ln K that row expects less ln K of a sound converter."""
        w = window(ratio, torque_nm, 2000.0, 1, "launch")
        looks.pass_by(w)
        capacity, _ = looks.make(w, at_rest, released=False)
        assert capacity is not None
        return float(capacity.seen[0] - capacity.seen[weak])

    assert off(0.5, 30.0) == 0.0
    assert off(0.3, 150.0) < -0.1
    assert off(0.5, 30.0) < -0.05  # once it has let go
    assert off(0.89, 30.0) == 0.0
    assert off(0.5, 30.0) == 0.0


@pytest.mark.parametrize("gear", [1, 2, 3])
def test_a_worn_one_way_clutch_holds_again_past_coupling_in_every_gear(gear: int) -> None:
    """In first and second the windows past coupling are judged by slip: they pass it by all the same."""
    bank = Bank(VEHICLE, CURVES, prior(VEHICLE, CURVES), ROWS)
    weak = next(i for i, row in enumerate(ROWS) if row.holds)
    light, at_rest = window(0.5, 30.0, 2000.0, 1, "launch"), np.zeros((len(ROWS), SIZE))

    def off() -> float:
        """ln K that row expects of a light launch less ln K of a sound converter."""
        bank._looks.pass_by(light)
        capacity, _ = bank._looks.make(light, at_rest, released=False)
        assert capacity is not None
        return float(capacity.seen[0] - capacity.seen[weak])

    bank.feed(window(0.3, 150.0, 2000.0, 1, "launch"))
    assert off() < -0.05
    bank.feed(window(0.95, 80.0, 2500.0, gear))
    assert off() == 0.0


def test_slip_after_a_pause_is_judged_by_what_is_left_of_what_drifts(monkeypatch: pytest.MonkeyPatch) -> None:
    """What wandered for seconds a minute ago says nothing of slip now, nor may it be learned from."""
    means, make = [], SlipLooks.look

    def spy(self: SlipLooks, w: Window, x: Array) -> SlipLook:
        means.append(np.abs(x[:, State.K_WANDER]).max())
        return make(self, w, x)

    monkeypatch.setattr(SlipLooks, "look", spy)
    bank, w = Bank(VEHICLE, CURVES, prior(VEHICLE, CURVES), ROWS), window(0.95, 80.0, 2500.0)
    for start_s in (0.0, 1.0, 2.0, 3.0, 60.0):
        bank.feed(replace(w, start_s=start_s, end_s=start_s + 1.0))
    assert means[3] > 1e-3
    assert means[4] < 1e-6


@pytest.mark.parametrize("seed", [1, 2])
def test_launches_before_a_converter_was_seen_count_once_it_was(seed: int) -> None:
    diagnoser = Diagnoser(BARE)
    seen_s, before = None, 0
    for item in drive(Truth(lost=1.0), seed, 200.0):
        looks = diagnoser.bank.looks
        diagnoser.feed(item)
        if diagnoser.presence.seen and seen_s is None:
            seen_s = item.time_s
        if seen_s is not None and diagnoser.bank.looks > looks + 3:
            before = diagnoser.bank.looks - looks
            break
    assert before > 10


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_held_stator_leads_all_causes(seed: int) -> None:
    diagnoser, _ = judged(Truth(seized=1.0), seed, 240.0)
    evidence = diagnoser.evidence()
    assert max(evidence, key=lambda name: evidence[name]) == "stator_seized"


def test_a_held_stator_that_only_acceleration_shows_stays_a_suspicion() -> None:
    """Its turbine runs within what tyre and curve may be off by of a sound one's."""
    diagnoser, _ = judged(Truth(seized=1.0), 2, 360.0)
    past = diagnoser.bank.past_coupling
    assert past is not None and abs(past.seen - past.sound) < past.sd
    assert diagnoser.bank.log_finding()["stator_seized"] > log(10.0)
    assert diagnoser.evidence()["stator_seized"] < log(16.0)
    assert diagnoser.call().finding == "not_enough_evidence"


@pytest.mark.parametrize(("ratio", "held"), [(1.05, True), (0.99, True), (0.93, False), (0.90, False)])
def test_a_turbine_as_fast_as_the_engine_that_pulls_is_evidence_of_a_held_stator(
    ratio: float, held: bool
) -> None:
    """150 N m at 3000 rpm: by the curve a sound converter slips 9 per cent there."""
    looks = SlipLooks(CURVES, prior(VEHICLE, CURVES), ROWS)
    assert looks.past.told is None
    w, x = window(ratio, 150.0, 3000.0), np.zeros((len(ROWS), SIZE))
    assert looks.takes(w, released=False)
    looks.look(w, x)
    told = looks.past.told
    assert told is not None
    assert told.seen == pytest.approx(ratio) and told.sound == pytest.approx(0.91, abs=0.01)
    assert told.torque_nm == pytest.approx(150.0, rel=0.05) and told.rpm == pytest.approx(3000.0)
    assert (told.log_held > 1.0) is held
