"""Gears found without ratios in the vehicle file: on recorded drives, and what counts as one box."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from math import exp, log
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_up import open_slip  # it lies beside this file

from livemon.estimate import Estimator
from livemon.estimate.gear_finder import FoundGear, GearFinder, _complete, _even
from livemon.estimate.ratios import rpm_per_kmh
from livemon.obd.decode import Decoder
from livemon.records import Estimate
from livemon.sources.recording import open_recording
from livemon.vehicle_file import load

REPLAYS = Path(__file__).parents[2] / "replays"


LEAST_FOUND = {"healthy": 2, "lost_stator": 3, "weak_engine": 3, "shudder": 3, "misfire": 2}


@cache
def replayed(name: str) -> tuple[list[float], list[float], list[tuple[Estimate, Estimate | None]]]:
    """Gears of the file and those found without it [rpm per km/h]; estimates without the file and with it."""
    vehicle = load(REPLAYS / f"{name}.toml")
    blind = Estimator(replace(vehicle, gear_ratios=(), final_drive=None))
    told, decoder = Estimator(vehicle), Decoder()
    without: list[Estimate] = []
    beside: dict[float, Estimate] = {}
    for frame in open_recording(REPLAYS / f"{name}.log"):
        for reading in decoder.feed(frame):
            without += [e for e in blind.feed(reading) if isinstance(e, Estimate)]
            beside |= {e.time_s: e for e in told.feed(reading) if isinstance(e, Estimate)}
    true, _ = rpm_per_kmh(vehicle)
    return true, blind.found_rpm_per_kmh, [(e, beside.get(e.time_s)) for e in without]


@pytest.mark.parametrize("name", LEAST_FOUND)
def test_gears_of_a_recorded_drive(name: str) -> None:
    """Those found lie where the vehicle file has them, but for what its speedometer reads too much."""
    true, found, estimates = replayed(name)
    assert len(found) >= LEAST_FOUND[name]
    for ratio in found[1:]:  # first gear is never held closed: its ratio rests on the converter's curve
        assert min(abs(log(ratio / k)) for k in true) < 0.05
    assert all(
        e.turbine_source in ("found", "guessed") for e, _ in estimates if e.regime in ("locked", "pull")
    )


@pytest.mark.parametrize("name", ["healthy", "lost_stator", "slipping_clutch", "seized_stator"])
def test_known_ratios_need_one_number_only(name: str) -> None:
    """Final drive and tyre unknown: every gear is found, those that were never held closed as well."""
    vehicle = load(REPLAYS / f"{name}.toml")
    true, _ = rpm_per_kmh(vehicle)
    estimator = Estimator(replace(vehicle, final_drive=None, tyre=None, tyre_radius_m=None))
    decoder = Decoder()
    for frame in open_recording(REPLAYS / f"{name}.log"):
        for reading in decoder.feed(frame):
            estimator.feed(reading)
    found = estimator.found_rpm_per_kmh
    assert len(found) == len(true)
    assert all(abs(log(a / b)) < 0.04 for a, b in zip(found, true, strict=True))


@pytest.mark.parametrize("ratios", [(3.0,), (400.0, 2.0, 0.7), (4.0, 4.0, 4.0)])
def test_odd_ratios_find_nothing_wrong(ratios: tuple[float, ...]) -> None:
    """One gear alone, one beyond any box, three alike: moments of 30 rpm per km/h in the gear that does."""
    finder = GearFinder(open_slip(), ratios)
    for i in range(300):
        v = 40.0 + 0.2 * i
        finder.look(0.2 * i, 30.0 * v, v, 0.1, 1.0, None, False, 800.0)
    assert len(finder.gears) in (0, len(ratios))


def test_slip_of_found_gears_is_that_of_the_files_ratios_within_its_band() -> None:
    off = [
        (abs(e.turbine_rpm - beside.turbine_rpm), e.turbine_sd_rpm + beside.turbine_sd_rpm)
        for name in LEAST_FOUND
        for e, beside in replayed(name)[2]
        if e.regime in ("locked", "pull", "launch")
        and e.turbine_rpm is not None
        and beside is not None
        and beside.turbine_rpm is not None
    ]
    assert len(off) > 2000
    assert sum(error < 2.0 * sd for error, sd in off) > 0.88 * len(off)  # as docs/estimator.md has it


def test_an_open_converter_does_not_move_a_gear() -> None:
    """Slip that torque explains is taken off: never once closed, the ratio comes out all the same."""
    slip, finder = open_slip(), GearFinder(open_slip())
    t = 0.0
    for turn in range(9):
        ratio = (60.0, 38.0, 26.0)[turn % 3]
        finder.forget()
        for step in range(200):
            v = (1000.0 + 10.0 * step) / ratio
            torque = 25.0 + 0.4 * (step % 100) + turn
            x = slip.x_at(torque, ratio * v)
            finder.look(t, ratio * v * exp(x), v, 0.1, 0.5, (torque, 4.0), False, 700.0)
            t += 0.18
    found = [gear.rpm_per_kmh for gear in finder.gears if gear.seen]
    assert found == pytest.approx([60.0, 38.0, 26.0], rel=0.02)


def test_what_cannot_be_one_box_is_left_out() -> None:
    gears = [FoundGear(k, 0.01) for k in (72.0, 63.0, 38.0, 26.0, 19.0)]
    assert [gear.rpm_per_kmh for gear in _even(gears)] == [63.0, 38.0, 26.0, 19.0]


def test_gears_nobody_drove_are_guessed_and_said_to_be() -> None:
    gears = _complete([FoundGear(45.0, 0.01), FoundGear(30.0, 0.01)], lowest_ratio=29.0)
    assert [gear.seen for gear in gears] == [False, True, True, False]
    assert gears[0].rpm_per_kmh > 66.0
    assert gears[-1].rpm_per_kmh < 29.0


@pytest.mark.parametrize("lowest", [45.0, 65.0, 110.0])
def test_only_first_gear_may_be_a_guess_without_the_others_being_in_doubt(lowest: float) -> None:
    """Second gear looks like second gear; 45 rpm per km/h may be second or third."""
    finder = GearFinder(open_slip())
    finder.gears = _complete([FoundGear(lowest, 0.01), FoundGear(0.6 * lowest, 0.01)], 0.59 * lowest)
    assert finder.gears[0].seen == (lowest > 66.0)
    assert finder.gaps == (lowest < 55.0)


@pytest.mark.parametrize("first", [105.0, 120.0, 135.0])
def test_a_first_gear_that_every_launch_leaves_soon_is_found(first: float) -> None:
    """Three moments of each launch are in it; another gear would have to show for longer."""
    slip, finder, t = open_slip(), GearFinder(open_slip()), 0.0
    for turn in range(8):
        for ratio, moments in ((first, 3), (72.0, 60), (46.0, 90), (31.0, 120)):
            finder.forget()
            for step in range(moments):
                v = (1500.0 + 900.0 * step / moments) / ratio
                torque = 40.0 + 3.0 * (step % 9) + turn
                x = slip.x_at(torque, ratio * v)
                finder.look(t, ratio * v * exp(x), v, 0.1, 0.5, (torque, 4.0), False, 700.0)
                t += 0.18
    found = [gear.rpm_per_kmh for gear in finder.gears if gear.seen]
    assert found == pytest.approx([first, 72.0, 46.0, 31.0], rel=0.04)


def test_few_moments_find_nothing() -> None:
    finder = GearFinder(open_slip())
    for i in range(30):
        finder.look(0.2 * i, 2000.0 + 10.0 * i, 50.0, 0.1, 0.0, None, False, 700.0)
    assert finder.gears == []


@pytest.mark.parametrize(
    ("found", "gaps"),
    [
        ((90.0, 55.0, 38.0), False),
        ((38.0, 29.0, 24.0), True),
        ((90.0, 29.0, 24.0), True),
        ((90.0, 55.0), False),
    ],
)
def test_a_box_that_has_shown_but_its_high_gears_has_gaps(found: tuple[float, ...], gaps: bool) -> None:
    """What is taken for the third gear from the top may be one that was never found."""
    finder = GearFinder(open_slip())
    finder.gears = _complete([FoundGear(k, 0.015) for k in found], 20.0)
    assert finder.gaps is gaps
