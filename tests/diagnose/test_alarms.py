"""When a warning is raised and when it is withdrawn."""

from __future__ import annotations

from livemon.diagnose.alarms import RAISE, WITHDRAW, Alarms
from livemon.records import FindingName


def test_alarm_is_raised_once_and_withdrawn_visibly() -> None:
    alarms, name = Alarms(), "lockup_slip"

    def at_level(p: float) -> list[bool]:
        standing: dict[FindingName, float] = {"none": 1.0 - p, "lockup_slip": p}
        return [w.raised for w in alarms.judge(0.0, standing)]

    assert at_level(RAISE - 0.01) == []
    assert at_level(RAISE + 0.01) == [True]
    assert at_level(RAISE - 0.1) == [] and at_level(RAISE + 0.1) == []
    assert at_level(WITHDRAW - 0.01) == [False]
    assert name not in alarms.standing


def test_a_file_that_does_not_fit_is_why_a_warning_is_withdrawn() -> None:
    alarms = Alarms()
    alarms.judge(0.0, {"stator_not_holding": 0.9})
    (withdrawn,) = alarms.judge(60.0, {"stator_not_holding": 0.06}, file_fits=False)
    assert not withdrawn.raised
    assert "do not fit this vehicle" in withdrawn.sentence
    assert "launches" not in withdrawn.sentence
