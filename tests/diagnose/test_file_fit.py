"""A vehicle file whose ratios are another vehicle's: nothing is called, and what would fit is said."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import VEHICLE, Truth, judged, judged_by  # it lies beside this file

from livemon.diagnose.file_fit import FileFit
from livemon.diagnose.windows import WindowMaker
from livemon.records import Estimate


@pytest.mark.parametrize("wrong", [0.85, 1.12, 1.2])
@pytest.mark.parametrize("truth", [Truth(), Truth(lost=1.0)])
def test_nothing_is_called_by_another_final_drive(wrong: float, truth: Truth) -> None:
    final = VEHICLE.final_drive or 0.0
    diagnoser, _ = judged_by(replace(VEHICLE, final_drive=wrong * final), truth, 3, 600.0)
    assert diagnoser.call().finding == "not_enough_evidence"
    fits = diagnoser.file_fit.final_drive
    assert fits is not None and fits[1] == pytest.approx(final, rel=0.03)
    assert any(f"{fits[1]:.2f}" in line for line in diagnoser.cannot_judge)


@pytest.mark.parametrize(
    "truth",
    [Truth(), Truth(lock="never"), Truth(lock="slips"), Truth(slip_gear=4, slip=0.15), Truth(seized=1.0)],
)
def test_a_fault_is_not_taken_for_another_file(truth: Truth) -> None:
    assert judged(truth, 3, 600.0)[0].file_fit.off is None


def test_asking_whether_the_file_fits_changes_nothing() -> None:
    """A screen asks all the time and a report once: both must read the same of one drive."""
    windows, maker = [], WindowMaker()
    for i in range(1250):
        # Fifth gear at 20 m/s: 1768 rpm by the file, fourth 2384. A drive that misses both, then fits.
        rpm = (0.91 if i < 970 else 1.0) * (1768.0 if i % 300 < 200 else 2384.0)
        window = maker.feed(Estimate(0.1 * i, rpm, "pull", road_speed_m_s=20.0))
        windows += [window] if window is not None else []
    asked, missed = FileFit(VEHICLE), False
    for count, window in enumerate(windows, 1):
        asked.feed(window)
        asked_once = FileFit(VEHICLE)
        for so_far in windows[:count]:
            asked_once.feed(so_far)
        assert asked.off == asked_once.off
        missed = missed or asked.off is not None
    assert missed


def test_one_gear_that_slips_is_not_another_file() -> None:
    """By how much top gear slips may be near what other ratios would have it."""
    fit, maker = FileFit(VEHICLE), WindowMaker()
    for i in range(3000):
        window = maker.feed(Estimate(0.1 * i, 1.09 * 1418.0, "pull", road_speed_m_s=20.0))
        if window is not None:
            fit.feed(window)
    assert fit.off is None
