"""What is still to be driven shrinks as it is driven, and holds nothing that driving cannot show."""

from __future__ import annotations

import pytest

from livemon.diagnose import alternatives, limits, weigh
from livemon.diagnose.diagnoser import Diagnoser
from livemon.diagnose.hypotheses import FINDINGS
from livemon.vehicle import Vehicle, of_any_weight

LONGEST = 80 - len(" STILL TO DRIVE:  +5 more")


def test_before_anything_was_driven_every_manoeuvre_is_named_once_and_fits() -> None:
    told = Diagnoser(Vehicle()).still_to_drive
    wanted = {alternatives.showing(name) for name in FINDINGS if name != "none"}
    assert len(told) == len(set(told)) == len(wanted) and told[0].startswith("a launch")
    assert all(len(manoeuvre) <= LONGEST for manoeuvre in told)


def test_what_no_manoeuvre_can_show_is_not_asked_for() -> None:
    d = Diagnoser(Vehicle())
    d.ratio_seen = d.ratios_found = True  # and no torque came
    assert d.still_to_drive == [
        "a pull from 60 km/h, clutch kept locked",
        "two minutes' level cruise at 80-100 km/h",
    ]
    heavy = Diagnoser(of_any_weight(Vehicle()))
    assert not any("coast-down" in manoeuvre for manoeuvre in heavy.still_to_drive)


def test_a_gear_that_slips_is_loaded_no_further(monkeypatch: pytest.MonkeyPatch) -> None:
    d = Diagnoser(Vehicle())
    assert d.still_to_drive
    monkeypatch.setattr(weigh, "standing", lambda _: dict.fromkeys(FINDINGS, 0.0) | {"gear_slip": 0.9})
    assert not d.still_to_drive


def test_what_is_warned_of_has_been_shown() -> None:
    d = Diagnoser(Vehicle())
    d.alarms.raise_now(30.0, "stator_not_holding", 0.9)
    assert "stator_not_holding" in limits.untested(d)
    assert not any(manoeuvre.startswith("a launch") for manoeuvre in d.still_to_drive)
