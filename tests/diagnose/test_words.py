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
from livemon.diagnose.words_alike import alike
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
        ((-0.43, 0.54), "known too badly to tell whether engine and road load agree", "neither"),
        ((-0.1, 0.3), "engine torque (between 50 and 165 % of it): too uncertain to tell", "neither"),
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
    assert told["pull"] > 1.0 and "locked" in told


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
    assert said is not None and said.speaks == "for" and said.text.endswith("speaks for the call.")
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


def test_a_mean_that_may_be_anything_is_not_told() -> None:
    d = diagnoser(launch=(-0.1, 0.6))
    d.bank = SimpleNamespace(by_regime=lambda _: {})
    assert words_road.launch_t(d, "none") is None
    d.stretches = diagnoser(launch=(-0.1, 0.1)).stretches
    assert words_road.launch_t(d, "none") is not None


@pytest.mark.parametrize(
    ("source", "reports_loss", "says"),
    [
        ("reported", False, "A torque signal that reads too high"),
        ("air_flow", False, "An air-flow signal"),
        ("air_flow", True, "A torque limit of the control"),
    ],
)
def test_what_looks_like_a_weak_engine_goes_by_where_its_torque_is_from(
    source: str, reports_loss: bool, says: str
) -> None:
    d, _ = judged(Truth(torque_made=0.6), 1, 240.0)
    other = copy(d)
    other.torque_source = source
    other.full_pedal = cast(Any, _Weak(2.0 if reports_loss else -2.0))
    told = alike(other, "engine_low_output", d.standing())
    assert len(told) == 1 and told[0].startswith(says)
    checks = words.check_next(other, "engine_low_output", d.standing())
    assert any("air-flow reading" in line for line in checks) == (source == "air_flow")


def test_a_gear_that_slips_may_be_a_wrong_ratio_unless_turbine_speed_is_told() -> None:
    d, _ = judged(Truth(slip_gear=3, slip=0.12), 1, 240.0)
    assert any("wrong ratio" in line for line in words.against(d, "gear_slip", d.standing()))
    checks = words.check_next(d, "gear_slip", d.standing())
    assert checks[0].startswith("The vehicle file against the maker's data")
    told = copy(d)
    told.lockup_watch = cast(Any, SimpleNamespace(shafts=SimpleNamespace(seen=True)))
    assert not alike(told, "gear_slip", d.standing())


def test_drag_says_whether_the_coasting_that_would_tell_was_driven() -> None:
    d, _ = judged(Truth(), 1, 240.0)
    other = copy(d)
    for seconds_s, says in ((2.0, "none was driven"), (12.0, "12 s of it were seen")):
        other.stretches = copy(d.stretches)
        other.stretches.facts = Facts()
        other.stretches.facts.add("excess", "coast", 0.05, 0.01, 0.01, Faulty(), seconds_s)
        assert says in alike(other, "driveline_drag", d.standing())[0]


def shaking(on: float, open_: float, blocks: int = 20) -> Any:
    """A drive whose clutch shakes too fast for the readings: shares of the time, on and open."""
    shakes = SimpleNamespace(
        strength=0.8,
        order=-6.0,
        on=SimpleNamespace(strongest_rpm=23.0, share=on, count=40),
        open=SimpleNamespace(strongest_rpm=9.0, share=open_, count=blocks),
    )
    return SimpleNamespace(shakes=shakes, shudder=SimpleNamespace(firm=[]))


@pytest.mark.parametrize(
    ("open_", "blocks", "for_", "against"),
    [
        (0.05, 20, "open it does so for 5 % of the time", ""),
        (0.2, 20, "", "also shakes for 20 % of the time"),
        (0.0, 2, "", "Too little was driven under power"),
    ],
)
def test_how_it_runs_with_the_clutch_open_is_said_once(
    open_: float, blocks: int, for_: str, against: str
) -> None:
    d = shaking(0.6, open_, blocks)
    told, rivals = " ".join(words_shake.shakes(d)), " ".join(words_shake.shakes_open(d))
    assert ("with the converter clutch open" in told) == bool(for_) and for_ in told
    assert ("open" in rivals) == bool(against) and against in rivals
    assert "do not line up with half an order" in told


def test_a_converter_clutch_that_never_came_on_in_minutes_of_cruise_needs_no_further_cruise() -> None:
    d, _ = judged(Truth(), 1, 180.0)
    other = copy(d)
    for open_s, asks in ((20.0, True), (300.0, False)):
        other.lockup_watch = cast(
            Any, SimpleNamespace(totals=SimpleNamespace(open_cruise_s=open_s, hardly_applied=True))
        )
        told = words.check_next(other, "lockup_never_applied", d.standing())
        assert any("cruise at 80-100 km/h" in line for line in told) == asks


def test_slip_above_target_is_no_reason_for_a_sound_clutch() -> None:
    d, _ = judged(Truth(), 1, 240.0)
    other = copy(d)
    other.lockup_watch = copy(d.lockup_watch)
    said = words_clutch.clutch(other)
    assert said is not None and said.speaks == "for"
    other.lockup_watch.target_rpm = -1.0
    said = words_clutch.clutch(other)
    assert said is not None and said.speaks == "neither"
