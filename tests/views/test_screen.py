"""The screen as text: what it says, and where, at the usual sizes."""

from __future__ import annotations

from dataclasses import replace
from io import StringIO
from math import nan
from pathlib import Path

import pytest
from rich.console import Console

from livemon import records
from livemon.converter.curves import at
from livemon.records import LinkNews
from livemon.views import example
from livemon.views.against import expected
from livemon.views.lines import ASCII, UNICODE, Ink, big
from livemon.views.screen import render
from livemon.views.sentences import SENTENCE
from livemon.views.snapshot import Marker, Rate, Snapshot

GOLDEN = Path(__file__).parent / "golden"


def as_text(snapshot: Snapshot, width: int, height: int, ink: Ink = UNICODE) -> str:
    """The screen as a terminal of that size would show it, without colour."""
    out = StringIO()
    console = Console(
        file=out, width=width, height=height, force_terminal=False, color_system=None, markup=False,
        highlight=False, emoji=False, _environ={},
    )  # fmt: skip
    console.print(render(snapshot, width, height, ink), soft_wrap=True, end="")
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "width", "height", "ink"),
    [("80x24", 80, 24, UNICODE), ("120x40", 120, 40, UNICODE), ("80x24_ascii", 80, 24, ASCII)],
)
def test_regression_the_example_looks_as_approved(name: str, width: int, height: int, ink: Ink) -> None:
    # To approve a new look: write this text to the file after looking at it.
    s = replace(example.snapshot(), curves=None)  # the curves have tests of their own
    shown = "\n".join(line.rstrip() for line in as_text(s, width, height, ink).splitlines()) + "\n"
    assert shown == (GOLDEN / f"screen_{name}.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40)])
@pytest.mark.parametrize("ink", [UNICODE, ASCII])
def test_everything_asked_for_is_on_the_screen(width: int, height: int, ink: Ink) -> None:
    text = as_text(example.snapshot(), width, height, ink)
    for part in (
        "01:02", "Works van 7", "van7.log", "01:01 93 % now: The stator does not hold",
        "ENGINE rpm", "TURBINE rpm", "SLIP rpm", "GEAR", f"{ink.plus_minus} 22",
        "SR 0.48", "launch", "lockup open", "heat up to  15.3 kW", "  8 km/h", "pedal  31 %", "coolant  88 ",
        "capacity K   seen   115", "torque ratio seen  1.04", "expected", "LOW",
        "Slip in rpm, last 60 s", "sees up to  9 Hz", "> stator not holding", "93 %",
        "engine speed  18", "1 marked", "second person watches",
        "STILL TO DRIVE: a pull from 60 km/h, clutch kept locked",
    ):  # fmt: skip
        assert part in text, part


def test_the_big_screen_draws_both_curves_with_the_points() -> None:
    text = as_text(example.snapshot(), 120, 40)
    assert "K in rpm/√Nm" in text and "torque ratio   ━ sound  ╌ stator lost" in text
    assert text.count("●") >= 4 and text.count("o") > 20 and "░" in text


LABELS = (
    "ENGINE",
    "TURBINE",
    "SLIP",
    "GEAR",
    "lockup",
    "SR ",
    "km/h pedal",
    "coolant",
    "STILL",
    "capacity",
    "causes",
    "> stator",
    "pedal",
)


@pytest.mark.parametrize(
    ("engine_rpm", "slip_rpm", "gear"),
    [(12.0, 3.0, None), (6789.0, 2345.0, 8), (800.0, -345.0, 2), (800.0, None, None)],
)
def test_positions_are_fixed_whatever_the_numbers(
    engine_rpm: float, slip_rpm: float | None, gear: int | None
) -> None:
    def places(s: Snapshot) -> list[tuple[str, int, int]]:
        lines = as_text(s, 80, 24).splitlines()
        return [
            (label, i, line.find(label)) for label in LABELS for i, line in enumerate(lines) if label in line
        ]

    s = example.snapshot()
    e = replace(example.ESTIMATE, engine_rpm=engine_rpm, slip_rpm=slip_rpm, gear=gear)
    assert places(replace(s, estimate=e)) == places(s)
    assert len(places(s)) >= len(LABELS)


def test_what_is_not_known_says_so() -> None:
    text = as_text(Snapshot(), 80, 24)
    assert "no warnings so far" in text and "km/h pedal   - % coolant   - °C" in text
    assert (
        "heat" not in text
        and "STILL TO DRIVE: -" in text
        and "not known" in text
        and "nothing received yet" in text
    )
    assert "nan" not in text and "None" not in text


@pytest.mark.parametrize("source", ["/a/long/path/van7.log", "C:\\drives\\van7.log", "van7.log"])
def test_a_long_path_still_shows_which_recording(source: str) -> None:
    assert "  van7.log " in as_text(replace(example.snapshot(), source=source), 80, 24)


def test_a_withdrawn_warning_stays_visible() -> None:
    s = example.snapshot()
    gone = records.Warning(70.0, "stator_not_holding", "Later launches fit a sound converter.", False, 0.1)
    text = as_text(replace(s, warnings=[*s.warnings, gone]), 80, 24)
    assert "01:10 withdrawn: Later launches fit a sound converter." in text
    assert "! 01:01" not in text and "10 %" not in text
    itself = replace(gone, sentence="stator warning withdrawn: later launches fit a sound converter")
    text = as_text(replace(s, warnings=[*s.warnings, itself]), 80, 24)
    assert " 01:10 stator warning withdrawn: later" in text and "withdrawn: stator" not in text


def test_a_standing_warning_tells_how_likely_it_is_now() -> None:
    s = example.snapshot()
    shudder = records.Warning(37.0, "lockup_shudder", "converter clutch shudder: slip swings", True, 0.4)

    def row(now: float) -> tuple[str, str]:
        page = render(replace(s, warnings=[shudder], standing={"lockup_shudder": now}), 80, 24)
        return next(part for line in page.lines for part in line if "00:37" in part[0])

    assert row(0.84) == (" ! 00:37 84 % now: converter clutch shudder: slip swings", "alarm")
    assert row(0.5) == (" ! 00:37 50 % now: possible: converter clutch shudder: slip swings", "value")


def test_newer_warnings_do_not_hide_older_ones() -> None:
    s = example.snapshot()
    slips = records.Warning(70.0, "lockup_slip", "", True, 0.9)
    gear = records.Warning(71.0, "gear_slip", "", True, 0.9)
    text = as_text(replace(s, warnings=[*s.warnings, slips, gear]), 80, 24)
    assert SENTENCE["gear_slip"][:40] in text and SENTENCE["lockup_slip"][:40] in text
    assert any(line.rstrip().endswith("+1 more") for line in text.splitlines()[1:3])


@pytest.mark.parametrize(
    ("gear", "shown"), [(None, "-"), (-1, "R"), (0, "n"), (1, "1"), (10, "10"), (10**6, "-")]
)
@pytest.mark.parametrize("ink", [UNICODE, ASCII])
def test_the_gear_as_a_driver_reads_it(gear: int | None, shown: str, ink: Ink) -> None:
    s = replace(example.snapshot(), estimate=replace(example.ESTIMATE, gear=gear))
    lines = as_text(s, 80, 24, ink).splitlines()
    top = next(i for i, line in enumerate(lines) if "GEAR" in line)
    digits = [line[-10:].rstrip() for line in lines[top + 1 : top + 4]]
    for line, part in zip(digits, big(shown, ink), strict=True):
        assert line.endswith(part.rstrip())


def test_markers_stand_over_the_slip_they_belong_to() -> None:
    def top_row(*markers: Marker) -> str:
        s = replace(example.snapshot(), markers=markers)
        return next(line for line in as_text(s, 80, 24).splitlines() if line.startswith(" >300"))[7:]

    assert "m" not in top_row()
    column = top_row(Marker(12.4, "here it shook")).index("m")
    assert column == int((12.4 - 2.4) / 60.0 * 72)  # 60 s before 62.4 s on 72 columns
    assert "m" not in top_row(Marker(1.0, "long ago"), Marker(nan, ""))


@pytest.mark.parametrize(("width", "ink"), [(40, UNICODE), (40, ASCII), (60, UNICODE)])
def test_a_narrow_screen_keeps_slip_gear_and_what_is_expected(width: int, ink: Ink) -> None:
    text = as_text(example.snapshot(), width, 24, ink)
    lines = text.splitlines()
    assert "SLIP rpm" in text and "gear 1" in text and "SR 0.48" in text
    k, tr = (next(x for x in lines if x.startswith(name)) for name in (" K  ", " TR "))
    assert f"115 {ink.plus_minus} 4 " in k and f"165 {ink.plus_minus} 25" in k and "LOW" in k
    assert f"1.46 {ink.plus_minus} 0.09" in tr and "LOW" in tr


def test_the_verdict_shows_the_error_of_what_is_seen_too() -> None:
    row = next(x for x in as_text(example.snapshot(), 80, 24).splitlines() if "torque ratio seen" in x)
    assert "seen  1.04 ± 0.16 expected  1.46 ± 0.09 LOW" in row


def model_rows(s: Snapshot) -> list[tuple[str, str]]:
    """Verdict and style of the rows of capacity and torque ratio."""
    return [line[6] for line in render(s, 80, 24).lines if line[0][0].startswith((" capacity", " torque r"))]


def test_a_point_off_the_curve_is_no_alarm_while_no_fault_leads() -> None:
    s = example.snapshot()
    assert model_rows(s) == [("LOW         ", "alarm")] * 2
    sound = replace(s, standing={"none": 0.75, "stator_not_holding": 0.05})
    assert model_rows(sound) == [("low         ", "value")] * 2
    elsewhere = replace(s, standing={"none": 0.1, "lockup_shudder": 0.85})  # not of what the point tells
    assert model_rows(elsewhere) == [("low         ", "value")] * 2


def test_an_old_point_and_one_from_before_the_clutch_came_on_are_not_judged() -> None:
    s = example.snapshot()
    locked = replace(s, estimate=replace(example.ESTIMATE, regime="locked"))
    assert model_rows(locked) == model_rows(replace(s, time_s=68.0)) == [("old         ", "label")] * 2
    assert "at SR 0.48,   6 s ago" in as_text(replace(s, time_s=68.0), 80, 24)


def test_the_error_of_the_speed_ratio_widens_what_is_expected() -> None:
    s = example.snapshot()
    c, near = s.curves, s.points[-1]._replace(speed_ratio=0.85)
    assert c is not None
    (k, sure), (same, unsure) = (
        expected(c.k, c.k_sd, near._replace(speed_ratio_sd=sd)) for sd in (0.0, 0.05)
    )
    assert k == same and unsure > 1.1 * sure == pytest.approx(1.1 * at(c.k_sd, 0.85))


def test_a_slip_that_may_be_anything_is_no_number() -> None:
    s, e = example.snapshot(), example.ESTIMATE
    vague = replace(e, slip_rpm=253.0, slip_sd_rpm=310.0, turbine_rpm=1200.0, turbine_sd_rpm=310.0)
    lines = as_text(replace(s, estimate=vague), 80, 24).splitlines()
    nothing = as_text(replace(s, estimate=replace(vague, slip_rpm=None)), 80, 24).splitlines()
    assert lines[4:7] == nothing[4:7] and "SR    - " in lines[7] and "± 620" in lines[5]  # of the turbine
    locked = as_text(replace(s, estimate=replace(e, slip_rpm=2.0, slip_sd_rpm=7.0)), 80, 24)
    assert "± 14" in locked and "SR 0.48" in locked  # near nothing, and well known


@pytest.mark.parametrize("kept", [("a launch",), ()])
def test_with_nothing_left_to_drive_the_line_tells_what_cannot_be_judged(kept: tuple[str, ...]) -> None:
    s = replace(example.snapshot(), still_to_drive=kept)
    small, tall = as_text(s, 80, 24), as_text(s, 80, 40)
    assert ("STILL TO DRIVE: a launch" in small) is bool(kept)
    assert ("NOT JUDGED SO FAR: engine below its rating" in small) is (not kept)
    assert ("STILL TO DRIVE: " + (kept[0] if kept else "nothing")) in tall


def test_good_news_of_the_link_is_no_alarm_and_ends_as_the_vehicle_answers() -> None:
    found = replace(example.snapshot(), notice=LinkNews("/dev/ttyUSB0: vehicle found (11-bit identifiers)"))
    assert "readings/s:" in as_text(found, 80, 24) and "vehicle found" not in as_text(found, 80, 24)
    waiting = as_text(replace(found, rates=()), 80, 24)
    assert " link: /dev/ttyUSB0: vehicle found" in waiting and "! link" not in waiting


def test_a_lost_link_takes_the_place_of_the_rates() -> None:
    text = as_text(replace(example.snapshot(), notice="no answer for 3 s, asking again"), 80, 24)
    assert "! link: no answer for 3 s, asking again" in text


def test_a_quantity_that_stopped_is_told() -> None:
    rates = [Rate("engine_rpm", 18.0, 0.1), Rate("vehicle_kmh", 0.0, 4.0)]
    assert "! road speed stopped" in as_text(replace(example.snapshot(), rates=rates), 80, 24)


def test_text_from_outside_cannot_drive_the_terminal() -> None:
    evil = "[bold]x[/] :smile: \x1b[2J\x07 line\nbreak ☃車"
    s = replace(
        example.snapshot(), source=evil, vehicle=replace(example.VEHICLE, name=evil), notice=evil,
        cannot_judge=[evil], warnings=[replace(example.WARNING, sentence=evil)],
    )  # fmt: skip
    for ink in (UNICODE, ASCII):
        text = as_text(s, 120, 40, ink)
        assert "\x1b" not in text and "\x07" not in text and len(text.splitlines()) == 40
        assert "[bold]x[/] :smile:" in text
    assert as_text(s, 120, 40, ASCII).isascii()
