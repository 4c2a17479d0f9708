"""The sentences: two standard deviations behind every ±, and no agreement claimed where nothing is known."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from livemon.diagnose import words, words_shake
from livemon.diagnose.diagnoser import Diagnoser
from livemon.records import FindingName


def diagnoser(**seen: tuple[float, float]) -> Diagnoser:
    """A drive with these means and standard deviations of r_t, by regime."""

    def mean(quantity: str, regime: str) -> Any:
        if quantity == "r_k" or regime not in seen:
            return None
        value, sd = seen[regime]
        return SimpleNamespace(mean=value, sd=sd, stretches=3, seconds_s=43.0)

    stretches = SimpleNamespace(facts=SimpleNamespace(mean=mean), records=[])
    return cast(Diagnoser, SimpleNamespace(stretches=stretches))


@pytest.mark.parametrize(
    ("seen", "says"),
    [
        ((-0.43, 0.54), "below engine torque (± 70 %): too uncertain to tell"),
        ((0.21, 0.22), "too uncertain to tell"),
        ((0.03, 0.07), "above engine torque (± 14 %): engine and road load agree"),
        ((-0.5, 0.1), "do not agree"),
    ],
)
def test_agreement_with_the_clutch_on_is_claimed_only_where_it_is_known(
    seen: tuple[float, float], says: str
) -> None:
    sentence = words._locked(diagnoser(locked=seen), "stator_not_holding")
    assert sentence is not None and says in sentence
    assert "43 s" not in sentence and "under power" not in sentence  # the clutch's own sentence has its time


@pytest.mark.parametrize(("name", "explains"), [("none", False), ("stator_not_holding", True)])
def test_a_lost_launch_is_explained_only_where_one_is_called(name: FindingName, explains: bool) -> None:
    sentence = words._locked(diagnoser(locked=(0.0, 0.05)), name)
    assert sentence is not None and ("explains" in sentence) == explains


def test_launches_are_named_where_no_sentence_before_has_named_them() -> None:
    sentence = words._launch_t(diagnoser(launch=(-0.5, 0.2)))
    assert sentence is not None and "at launch" in sentence and "those launches" not in sentence


class _Weak:
    """An engine called weak whose own report is sound."""

    def __init__(self, log_evidence: float) -> None:
        self.best = (SimpleNamespace(seconds_s=4.0, torque_nm=290.0, share=1.09, rpm=2956.0), 0.97, 0.09)
        self.log_evidence = log_evidence


@pytest.mark.parametrize(("log_evidence", "last"), [(-1.0, True), (3.0, False)])
def test_a_sound_report_of_torque_is_not_the_first_reason_for_a_weak_engine(
    monkeypatch: pytest.MonkeyPatch, log_evidence: float, last: bool
) -> None:
    d = cast(Any, diagnoser())
    d.full_pedal, d.codes = _Weak(log_evidence), SimpleNamespace(bearing_on=lambda name: [])
    d.shudder = SimpleNamespace(firm=[])
    monkeypatch.setattr(words, "_made", lambda d: "made")
    said = words.because(d, "engine_low_output", {})
    assert said.index("made") == (0 if last else 1)
    assert "97 ± 18 %" in said[1 if last else 0]
    assert said[-1].startswith("The loss is not in what the engine reports") == last


@pytest.mark.parametrize(
    ("probability", "said"), [(9e-5, "10 000"), (1e-3, "1 000"), (1e-12, "1 000 000"), (0.5, "10")]
)
def test_how_rare_is_said_without_powers_of_ten(probability: float, said: str) -> None:
    episode = SimpleNamespace(
        amplitude_rpm=8.0, frequency_hz=9.0, false_alarm_probability=probability, stopped_at_release=False
    )
    d: Any = SimpleNamespace(shudder=SimpleNamespace(firm=[episode]))
    assert f"once in {said} such" in words_shake.shudder(d)[0]
