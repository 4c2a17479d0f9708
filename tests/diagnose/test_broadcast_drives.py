"""Vehicles that broadcast turbine and shaft speeds (SAE J1939), from their frames to the call."""

from __future__ import annotations

import pytest

from livemon.obd.j1939 import J1939Decoder
from livemon.run import Run
from livemon.simulate.fast import Overheard
from livemon.simulate.scenario import draw
from livemon.vehicle_file import parse


def judged(fault: str, seed: int) -> Run:
    """Three minutes of road test."""
    drawn = draw(fault, seed, 180.0, style="road_test", severity=1.2)
    run = Run("", J1939Decoder(), parse(drawn.vehicle_file_text(), "drawn"))
    for frame in Overheard(drawn, "j1939"):
        run.feed(frame)
    run.end()
    return run


@pytest.mark.parametrize(
    ("fault", "seed", "says"),
    [
        ("gear_slip", 6, "ahead of road speed times ratio"),
        ("lockup_slip", 6, "clearly more than a control would hold"),
        ("lockup_never_applied", 3, "its control said that the converter clutch was applied"),
    ],
)
def test_what_the_shafts_show_is_named(fault: str, seed: int, says: str) -> None:
    call = judged(fault, seed).diagnoser.call()
    assert call.finding == fault
    assert any(says in line for line in call.because)


def test_a_sound_vehicle_is_not_warned_of() -> None:
    run = judged("none", 6)
    assert not run.warnings
    assert run.diagnoser.call().finding == "none"
