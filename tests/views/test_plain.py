"""Plain lines: warnings at once, a status line now and then, the call; on any stream and encoding."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from io import BytesIO, StringIO, TextIOWrapper

import pytest

from livemon import records
from livemon.quantities import QUANTITIES
from livemon.records import MISFIRES, FindingName
from livemon.vehicle import Known, Vehicle, of_any_weight
from livemon.views import assumed, example, plain
from livemon.views.plain import (
    Plain,
    call_lines,
    result_lines,
    short_call,
    standing_sentence,
    status,
    warning_line,
)
from livemon.views.result import build
from livemon.views.sentences import (
    FINDINGS,
    REGIME,
    SAFETY,
    SENTENCE,
    SHORT,
    cautions,
    clean,
    clock,
    headline,
    percent,
    place,
    quantity,
)


def test_a_warning_is_one_line_at_once() -> None:
    out = StringIO()
    view = Plain(out)
    view.warn(example.WARNING)
    view.warn(records.Warning(80.0, "lockup_slip", "Lockup slip was a worn tyre.", False, 0.2))
    raised, withdrawn = out.getvalue().splitlines()
    assert raised == f"01:01  WARNING: {example.WARNING.sentence} (93 %)"
    assert withdrawn == "01:20  withdrawn: Lockup slip was a worn tyre. (20 %)"


def test_the_bell_sounds_on_a_raised_warning_only() -> None:
    out = StringIO()
    view = Plain(out, bell=True)
    view.warn(replace(example.WARNING, raised=False))
    assert "\a" not in out.getvalue()
    view.warn(example.WARNING)
    assert out.getvalue().count("\a") == 1


def test_one_status_line_every_so_many_seconds() -> None:
    out = StringIO()
    view = Plain(out, every_s=10.0)
    for tenth in range(305):
        view.update(replace(example.snapshot(), time_s=tenth / 10, cannot_judge=()))
    lines = [line for line in out.getvalue().splitlines() if "still to drive" not in line]
    assert [line[:5] for line in lines] == ["00:00", "00:10", "00:20", "00:30"]
    assert "engine 1545 rpm, road 8 km/h, slip 805 ± 22 rpm, speed ratio 0.48, gear 1, launch" in lines[0]


def test_what_is_still_to_drive_is_told_as_it_changes() -> None:
    out = StringIO()
    view = Plain(out, every_s=10.0)
    for second in range(40):
        still = ["a launch", "a coast-down"] if second < 15 else ["a coast-down"] if second < 25 else []
        view.update(replace(example.snapshot(), time_s=float(second), still_to_drive=still))
    told = [line for line in out.getvalue().splitlines() if "still to drive" in line]
    assert told == [
        "00:00  still to drive: a launch; a coast-down",
        "00:20  still to drive: a coast-down",
        "00:30  still to drive: nothing",
    ]


def test_an_unlikely_warning_says_possible_and_a_withdrawn_one_says_so_once() -> None:
    shudder = records.Warning(37.0, "lockup_shudder", "converter clutch shudder: slip swings", True, 0.4)
    assert warning_line(shudder) == "00:37  WARNING: possible: converter clutch shudder: slip swings (40 %)"
    gone = records.Warning(80.0, "stator_not_holding", "stator warning withdrawn: later", False, 0.1)
    assert warning_line(gone) == "01:20  stator warning withdrawn: later (10 %)"


def test_the_last_line_repeats_the_call() -> None:
    out = StringIO()
    Plain(out).close(example.drive())
    assert out.getvalue().splitlines()[-1] == "CALL: stator not holding, 93 %, inside the transmission."
    unsure = replace(example.CALL, finding="not_enough_evidence", probability=0.4, where="unknown")
    open_: dict[FindingName, float] = {"none": 0.6, "lockup_slip": 0.3, "driveline_drag": 0.1}
    assert short_call(unsure, open_) == "CALL: not enough evidence, inside or outside cannot be told yet."


def test_inside_is_told_though_the_fault_cannot_be_named() -> None:
    unsure = replace(example.CALL, finding="not_enough_evidence", probability=0.6, where="unknown")
    between: dict[FindingName, float] = {"lockup_slip": 0.35, "lockup_shudder": 0.6, "none": 0.05}
    told = "ost likely inside the transmission (95 %), but which fault cannot be told yet."
    assert short_call(unsure, between) == f"CALL: not enough evidence, m{told}"
    assert standing_sentence(unsure, between) == f"M{told}"


def test_a_slip_known_worse_than_its_own_size_is_not_shown() -> None:
    shown = example.snapshot()
    e = shown.estimate
    assert e is not None
    assert "slip -0" not in status(replace(shown, estimate=replace(e, slip_rpm=-0.3, slip_sd_rpm=6.0)))
    vague = status(replace(shown, estimate=replace(e, slip_rpm=400.0, slip_sd_rpm=340.0)))
    assert "slip" not in vague and "speed ratio" not in vague


def test_what_was_assumed_is_told_in_words_with_its_band() -> None:
    lines = call_lines(example.drive())
    told = next(line for line in lines if "Assumed" in line)
    assert "(not in the vehicle file): drag area 0.94 ± 0.36 m², rolling resistance 0.0088 ± 0.0052" in told
    assert "mass" not in told and "body." not in told and told.endswith(".")
    past = result_lines(build(example.drive()))
    assert any("Assumed (not in the vehicle file): drag area, rolling resistance" in line for line in past)
    bare = result_lines({"call": build(example.drive())["call"]})
    assert bare[0].startswith("THE CALL:") and not any("Assumed" in line for line in bare)


def test_nothing_assumed_is_not_told_and_a_mass_that_may_be_anything_is_no_number() -> None:
    given = Known(1.0, 0.1)
    full = Vehicle(
        mass_kg=given, drag_area_m2=given, rolling_resistance=given, efficiency=given, inertia_kg_m2=given,
        curve=((0.0, 120.0, 2.0), (0.5, 130.0, 1.5), (0.9, 200.0, 1.0)),
    )  # fmt: skip
    assert assumed.sentence(full) == ""
    told = assumed.sentence(of_any_weight(Vehicle()))
    assert "mass unknown" in told and "coupling speed ratio 0.87 ± 0.06" in told


@pytest.mark.parametrize(
    ("order", "caution"),
    [
        ("Drive again with a launch from rest.", 0),
        ("Light brake tap with the pedal held.", 0),
        ("Line pressure at idle and at stall.", 1),
        ("Converter out: stator one-way clutch.", 2),
        ("Pan off: friction material in the pan.", 2),
        ("Wheels off the ground: turn each by hand.", 2),
    ],
)
def test_work_that_can_hurt_brings_its_caution(order: str, caution: int) -> None:
    assert SAFETY[caution] in cautions([order])
    call = replace(example.CALL, check_next=[order, order])
    lines = call_lines(replace(example.drive(), call=call))
    assert lines.count(f"    - {SAFETY[caution]}") == 1
    assert lines.index("  Caution:") == lines.index(f"    - {order}") + 2


def test_looking_and_reading_needs_no_caution() -> None:
    assert cautions(["Engine mounts by eye.", "Wheel bearings, drive shafts and axle oil level."]) == []
    own = "Stall check as the maker says: wheels chocked, brakes hard on."
    assert cautions([own]) == []  # it brings its own


def test_a_link_notice_is_told_once() -> None:
    out = StringIO()
    view = Plain(out)
    for _ in range(3):
        view.update(replace(example.snapshot(), notice="no answer for 3 s, asking again"))
    assert out.getvalue().count("no answer for 3 s") == 1


def test_the_call_names_everything() -> None:
    out = StringIO()
    Plain(out).close(example.drive())
    text = out.getvalue()
    assert "THE CALL: The stator's one-way clutch does not hold" in text
    assert "Inside the transmission; probability 93 %." in text
    for part in (
        "Because:",
        "Against:",
        "Check next:",
        "cannot judge:",
        "- 00:30 marked at 62 km/h, pedal 25 %",
        "does not replace them",
    ):
        assert part in text


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8"])
def test_any_encoding(encoding: str) -> None:
    raw = BytesIO()
    stream = TextIOWrapper(raw, encoding=encoding)
    view = Plain(stream)
    view.update(replace(example.snapshot(), vehicle=example.VEHICLE))
    view.warn(replace(example.WARNING, sentence="Kübel 車 → ±3 \x1b[2J\nnext"))
    view.close(example.drive())
    stream.flush()
    text = raw.getvalue().decode(encoding)
    assert "\x1b" not in text
    assert "next" in next(line for line in text.splitlines() if "WARNING" in line)


def test_a_reader_that_leaves_early_does_not_end_the_drive() -> None:
    program = (
        "from livemon.views import example, plain\n"
        "view = plain.Plain()\n"
        "for _ in range(5000): view.warn(example.WARNING)\n"
        "view.close(example.drive())\n"
        "import sys; sys.stderr.write('done')\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b"done"
    assert process.returncode == 0


@pytest.mark.parametrize("term", ["dumb", "unknown", ""])
def test_a_dumb_terminal_gets_plain_lines(monkeypatch: pytest.MonkeyPatch, term: str) -> None:
    class Terminal(StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("TERM", term)
    assert not plain.usable_screen(Terminal())
    monkeypatch.setenv("TERM", "xterm-256color")
    assert plain.usable_screen(Terminal())
    assert not plain.usable_screen(StringIO())


@pytest.mark.parametrize("finding", FINDINGS)
def test_every_finding_has_its_words(finding: FindingName) -> None:
    assert SENTENCE[finding].endswith(".") and "_" not in SENTENCE[finding]
    assert len(SHORT[finding]) <= 24


def test_every_quantity_has_its_words() -> None:
    bare = {name for name, unit in QUANTITIES.items() if unit == "1"}  # states: the name itself reads well
    for name in QUANTITIES.keys() - bare:
        words = quantity(name)
        assert words != name.replace("_", " ") and "_" not in words, name


def test_words_for_numbers() -> None:
    assert [percent(p) for p in (0.0, 0.004, 0.5, 0.994, 0.999)] == ["0 %", "<1 %", "50 %", "99 %", ">99 %"]
    assert [clock(t) for t in (-1.0, 59.9, 754.3, 7200.0)] == ["00:00", "00:59", "12:34", "120:00"]
    assert clean("a\x07b\x1b[31m\r\n") == "a b [31m  "
    assert len(REGIME) == 8


def test_damage_to_the_recording_is_told_with_the_call() -> None:
    out = StringIO()
    Plain(out).close(replace(example.drive(), notices=["drive.log:9: the last line is cut; left out"]))
    assert "  Notices:\n    - drive.log:9: the last line is cut; left out\n" in out.getvalue()


def test_an_engine_that_misfires_is_in_the_headline() -> None:
    """It is no finding of its own, but what the driver feels."""
    call = replace(example.drive().call, finding="none", because=[f"Engine speed shakes, {MISFIRES}."])
    out = StringIO()
    Plain(out).close(replace(example.drive(), call=call))
    assert "driveline shows. The engine misfires.\n" in out.getvalue()
    assert out.getvalue().rstrip().endswith("; the engine misfires.")
    stator = replace(call, finding="stator_not_holding")
    assert "misfires.\n  Inside" not in "\n".join(call_lines(replace(example.drive(), call=stator)))


def test_a_clutch_never_applied_may_be_its_control() -> None:
    assert place("inside_transmission", {"lockup_never_applied": 0.8, "none": 0.2}).endswith("or its control")
    assert place("inside_transmission", {"lockup_slip": 0.8, "none": 0.2}) == "inside the transmission"


def test_no_fault_does_not_claim_that_everything_fits() -> None:
    sound = replace(example.CALL, finding="none", where="no_fault", against=["Does not fit: coasting."])
    assert "not all that was seen fits" in headline("none", sound.because, sound.against)
    assert "not all" not in headline("none", sound.because, [])
