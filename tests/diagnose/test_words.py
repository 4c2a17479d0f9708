"""The sentences: two standard deviations behind every ±, and no agreement claimed where nothing is known."""

from __future__ import annotations

import sys
from copy import copy
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import Truth, judged  # it lies beside this file

from livemon.diagnose import words, words_clutch, words_road, words_shake
from livemon.diagnose.checks import CHECKS, STALL_CAUTION
from livemon.diagnose.codes import Codes
from livemon.diagnose.diagnoser import Diagnoser
from livemon.diagnose.facts import Fact, Facts, Faulty
from livemon.diagnose.gear_slip import Slipped
from livemon.diagnose.lockup import LockupWatch
from livemon.diagnose.said import Speaks, way
from livemon.records import FindingName
from livemon.vehicle import Vehicle


def diagnoser(**seen: tuple[float, float]) -> Any:
    """A drive with these means and standard deviations of r_t, by regime; of r_k as `k_` and the regime."""

    def mean(quantity: str, regime: str) -> Fact | None:
        key = regime if quantity == "r_t" else f"k_{regime}"
        return Fact(*seen[key], 3, 43.0, -0.3, -0.1) if key in seen else None

    stretches = SimpleNamespace(facts=SimpleNamespace(mean=mean), records=[])
    return SimpleNamespace(stretches=stretches, vehicle=Vehicle())


@pytest.mark.parametrize(
    ("seen", "says", "speaks"),
    [
        ((-0.43, 0.54), "between 22 and 192 % of engine torque: too uncertain to tell", "neither"),
        ((0.03, 0.07), "above engine torque (± 14 %): engine and road load agree, so neither", "for"),
        ((-0.5, 0.1), "do not agree", "against"),
    ],
)
def test_agreement_with_the_clutch_on_is_claimed_only_where_it_is_known(
    seen: tuple[float, float], says: str, speaks: Speaks
) -> None:
    said = words_road.locked(diagnoser(locked=seen), "stator_not_holding")
    assert said is not None and says in said.text and said.speaks == speaks


@pytest.mark.parametrize(("name", "explains"), [("none", False), ("stator_not_holding", True)])
def test_a_lost_launch_is_explained_only_where_one_is_called(name: FindingName, explains: bool) -> None:
    said = words_road.locked(diagnoser(locked=(0.0, 0.05)), name)
    assert said is not None and ("explains" in said.text) == explains


@pytest.mark.parametrize(
    ("mean", "sd", "name", "speaks"),
    [
        (-0.3, 0.08, "stator_not_holding", "for"),
        (0.0, 0.08, "stator_not_holding", "against"),
        (-0.15, 0.3, "stator_not_holding", "neither"),
        (0.0, 0.08, "none", "for"),
        (-0.3, 0.08, "none", "against"),
        (-0.05, 0.4, "none", "neither"),
        (-0.3, 0.08, "lockup_slip", "neither"),
    ],
)
def test_a_mean_speaks_for_what_it_fits_better(
    mean: float, sd: float, name: FindingName, speaks: Speaks
) -> None:
    would: dict[FindingName, float] = {"none": 0.0, "stator_seized": 0.0, "stator_not_holding": -0.3}
    assert way(Fact(mean, sd, 3, 20.0), would, name) == speaks


def test_what_does_not_fit_stands_against_the_call_and_not_for_it() -> None:
    d, _ = judged(Truth(lost=1.0), 1, 240.0)
    call = d.call()
    assert call.finding == "stator_not_holding"
    assert any("launches at speed ratios" in line for line in call.because)
    assert any(line.startswith("Odds over a sound vehicle") and "launches" in line for line in call.because)
    for line in (*call.because, *call.against):
        assert line[-1] in ".?" and line[0].isupper(), line
    assert not any(line.startswith(("Decides nothing", "Does not fit")) for line in call.because)


def test_a_band_is_said_by_its_ends_where_it_lies_unevenly() -> None:
    assert words_road.off(Fact(-1.835, 0.871, 3, 9.0), "it").startswith("between 3 and 91 % of it")
    assert words_road.off(Fact(0.0, 0.05, 3, 9.0), "it") == "0 % above it (± 10 %)"


def test_each_regime_is_weighed_by_itself() -> None:
    d, _ = judged(Truth(torque_made=0.6), 1, 240.0)
    told = d.bank.by_regime("engine_low_output")
    assert told["pull"] > 1.0 and told["locked"] > 0.0


class _Weak:
    """An engine called weak whose own report is sound."""

    def __init__(self, log_evidence: float) -> None:
        self.best = (SimpleNamespace(seconds_s=4.0, torque_nm=290.0, share=1.09, rpm=2956.0), 0.97, 0.09)
        self.log_evidence = log_evidence


@pytest.mark.parametrize(("log_evidence", "speaks"), [(-1.0, "neither"), (3.0, "for")])
def test_a_sound_report_of_torque_is_no_reason_for_a_weak_engine(log_evidence: float, speaks: Speaks) -> None:
    d = diagnoser()
    d.full_pedal = _Weak(log_evidence)
    said = words_road.full_pedal(d, "engine_low_output")
    assert said is not None and said.speaks == speaks and "97 ± 18 %" in said.text
    assert ("shows no loss" in said.text) == (speaks == "neither")


@pytest.mark.parametrize(("log_evidence", "speaks"), [(-3.0, "for"), (-0.5, "neither"), (1.0, "against")])
def test_torque_at_full_pedal_is_told_of_a_sound_vehicle_as_well(log_evidence: float, speaks: Speaks) -> None:
    d = diagnoser()
    d.full_pedal = _Weak(log_evidence)
    said = words_road.full_pedal(d, "none")
    assert said is not None and said.speaks == speaks and "shows no loss" not in said.text


def codes_of(**stored: str) -> Codes:
    codes = Codes()
    codes.note({"stored": stored})
    return codes


def test_every_stored_code_is_quoted_and_none_is_asked_for_again() -> None:
    d, _ = judged(Truth(torque_made=0.6), 1, 240.0)
    with_codes = copy(d)
    with_codes.codes = codes_of(P0299="underboost", P0741="clutch stuck off", P0442="small leak")
    call = with_codes.call()
    assert any(line.startswith("P0299 (underboost) is stored") for line in call.because)
    assert any("P0741" in line and "converter clutch slip" in line for line in call.against)
    assert any("P0442" in line and "not weighed here" in line for line in call.against)
    assert call.check_next[0].startswith("Follow the maker's diagnosis of P0299")
    assert not any("Read stored" in line for line in call.check_next)
    with_codes.codes = codes_of()
    assert any("No codes are stored" in line for line in with_codes.call().check_next)
    assert any("Read stored" in line for line in d.call().check_next)


def test_a_reference_torque_of_another_engine_is_said() -> None:
    d, _ = judged(Truth(), 1, 180.0)
    other = copy(d)
    other.note_reference_torque(480.0)  # the file's engine peaks at 240
    assert any("is this the right file?" in line for line in other.call().against)
    other.note_reference_torque(290.0)
    assert not any("is this the right file?" in line for line in other.call().against)


def test_a_sound_call_asks_for_what_was_not_driven() -> None:
    d, _ = judged(Truth(), 1, 180.0)
    call = d.call()
    assert call.finding == "none"
    assert any(line.startswith("This drive did not test") for line in call.against)
    assert any(line.startswith("Drive again") for line in call.check_next)


def test_without_gear_ratios_the_file_is_asked_for_and_no_new_drive() -> None:
    d = Diagnoser(Vehicle())
    d.ratio_seen = True
    call = d.call()
    assert call.finding == "not_enough_evidence"
    assert call.because[0].startswith("Nothing in this drive could be judged")
    assert call.check_next[0].startswith("Gear ratios, final drive and tyre belong in the vehicle file")
    assert not any(line.startswith("Drive again") for line in call.check_next)


def test_an_engine_that_shakes_is_not_sent_away() -> None:
    d, _ = judged(Truth(), 1, 180.0)
    shaking = copy(d)
    on = SimpleNamespace(strongest_rpm=23.0, share=0.6, count=40)
    shaking.shakes = cast(
        Any, SimpleNamespace(strength=0.8, order=6.0, on=on, open=on, against_none=lambda *_: 0.0)
    )
    said, checks = (
        words.because(shaking, "none", d.standing()),
        words.check_next(shaking, "none", d.standing()),
    )
    assert any("as a cylinder does that misfires" in line for line in said)
    assert not any("cannot be told" in line for line in said)
    assert checks[0].startswith("Misfire counters")


def test_a_gear_that_slips_is_told_with_numbers() -> None:
    d, _ = judged(Truth(slip_gear=3, slip=0.12), 1, 240.0)
    told = words_clutch.gear(d)
    assert "In gear 3" in told.text and "% ahead" in told.text and "N m" in told.text


@pytest.mark.parametrize(
    ("probability", "looks", "said"),
    [
        (9e-5, 1, "once in 10 000"),
        (3e-4, 1, "once in 3 000"),
        (3e-5, 3, "once in 10 000"),  # the least of three
        (1e-12, 1, "less than once in 1 000 000"),
    ],
)
def test_how_rare_is_said_without_powers_of_ten(probability: float, looks: int, said: str) -> None:
    episode = SimpleNamespace(
        amplitude_rpm=8.0, frequency_hz=9.0, false_alarm_probability=probability, looks=looks,
        stopped_at_release=False,
    )  # fmt: skip
    d: Any = SimpleNamespace(shudder=SimpleNamespace(firm=[episode]))
    assert f"noise alone does so {said} such" in words_shake.shudder(d)[0]


def test_checks_begin_outside_and_name_the_caution_with_a_stall_check() -> None:
    for lines in CHECKS.values():
        assert not any(word in lines[0] for word in ("converter out", "pan off", "apply pressure"))
    stalls = [line for lines in CHECKS.values() for line in lines if "stall check" in line]
    assert stalls and all(STALL_CAUTION in line for line in stalls)
    assert "wheels chocked" in STALL_CAUTION and "maker's procedure" in STALL_CAUTION


def test_a_mean_that_misses_the_call_its_regime_speaks_for_is_no_evidence_against_it() -> None:
    d, _ = judged(Truth(torque_made=0.6), 1, 240.0)
    missed = copy(d)
    missed.stretches = copy(d.stretches)
    missed.stretches.facts = Facts()
    faulty = Faulty(-0.3, 0.0)
    missed.stretches.facts.add("r_k", "launch", 0.6, 0.1, 0.05, faulty, 3.0)  # far above anything known
    assert d.bank.by_regime("engine_low_output")["launch"] > 0.7
    said = words_road.launch_k(missed, "engine_low_output")
    assert said is not None and said.speaks == "neither" and said.text.endswith("speaks for the call.")
    of_sound = words_road.launch_k(missed, "none")
    assert of_sound is not None and "speaks for the call" not in of_sound.text


def test_only_the_likeliest_cause_leads() -> None:
    d, _ = judged(Truth(torque_made=0.6), 1, 240.0)
    p = dict.fromkeys(d.standing(), 0.0) | {"lockup_shudder": 0.64, "lockup_slip": 0.31, "none": 0.05}
    told = words.against(d, "not_enough_evidence", p)
    assert "leads" in told[0] and "Converter clutch slip remains possible (31 %)" in told[1]


@pytest.mark.parametrize(
    ("gears", "says"), [((3,), "; the other gears fit"), ((3, 2), "; gear 2 slips likewise, the other gears")]
)
def test_two_gears_that_slip_are_both_said(
    gears: tuple[int, ...], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(LockupWatch, "slipping_gears", gears)
    monkeypatch.setattr(LockupWatch, "slipped", Slipped(10.0, 60.0, 20.0, 0.08, 170.0))
    told = words_clutch.gear(Diagnoser(Vehicle())).text
    assert told.startswith("In gear 3 slip was more") and says in told
