"""The report: complete, self-contained, escaped, and a one-line error where it cannot be made."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from importlib.util import find_spec
from math import inf, nan
from pathlib import Path

import pytest

from livemon import records
from livemon.errors import UsageError
from livemon.records import Finding, Oscillation, Stretch
from livemon.views import example, labels, report
from livemon.views.report_figures import all_figures
from livemon.views.sentences import SAFETY, SHORT
from livemon.views.snapshot import Drive, Marker, Point, Rate, SlipSpan

WHEN = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
VOID = {"meta", "br", "hr", "img", "link", "input"}


class Page(HTMLParser):
    """Checks that tags close in order; keeps the text and every attribute that could reach outside."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.words: list[str] = []
        self.outside: list[str] = []
        self.tags: set[str] = set()
        self.feed(html)
        self.close()
        assert self.stack == []
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "action") and not (value or "").startswith("#"):
                self.outside.append(f"{tag} {name}={value}")
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.stack.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.stack[-1:] not in (["style"], ["text"]):
            self.words.append(data)


def _page(drive: Drive) -> Page:
    return Page(report.render(drive, {}, WHEN))


def test_everything_asked_for_is_in_the_report() -> None:
    drive = replace(
        example.drive(), vin="ABC1234567890XYZ9", notices=["the last line of the recording is cut"]
    )
    text = _page(drive).text
    for part in (
        "Works van 7", "van7.log", "02:04", "ABC12345*********", "2026-11-25 09:00",
        "The stator's one-way clutch does not hold", "Inside the transmission; probability 93 %.",
        "At launch the torque ratio was 1.04", "No launch above half pedal", "Check the fluid's level",
        "cannot judge", "no torque rating", "93 %", "torque ratio 1.04", "84 % (77 to 90)", "58 % (49 to 68)",
        "pedal, %: 31",
        "P0741", "late answers", "drag area", "marked at 62 km/h", "warned", 
        "16.9 kW", "engine speed 18.2",
        "the last line of the recording is cut",
    ):  # fmt: skip
        assert part in text, part
    assert all(name in text for name in (SHORT["gear_slip"], SHORT["none"]))
    assert all(sentence in text for sentence in SAFETY)
    assert "XYZ9" not in text


def test_the_page_goes_with_the_job_card() -> None:
    driven = datetime(2026, 5, 3, 12, 20, tzinfo=UTC)
    text = _page(replace(example.drive(), driven=driven)).text
    assert f"Driven {driven.astimezone():%Y-%m-%d %H:%M}." in text
    assert all(f"{name} " in text for name in ("Plate", "Odometer", "Complaint", "Technician", "signature"))
    assert "Driven" not in _page(example.drive()).text


def test_what_was_assumed_has_its_own_heading_where_anything_was() -> None:
    text = _page(example.drive()).text
    assert "Assumed (not in the vehicle file): drag area" in text and "Noticed, and counted" in text
    names = ("drag_area_m2", "rolling_resistance", "efficiency", "inertia_kg_m2")
    known = {name: getattr(example.VEHICLE, name)._replace(assumed=False) for name in names}
    vehicle = replace(example.VEHICLE, **known)
    text = _page(replace(example.drive(), vehicle=vehicle, counters={})).text
    assert "Assumed" not in text and "counted" not in text


def test_the_file_holds_its_figures_and_reaches_nowhere(tmp_path: Path) -> None:
    out = tmp_path / "r.html"
    report.write(out, example.drive(), WHEN)
    html = out.read_text(encoding="utf-8")
    page = Page(html)
    assert html.count("<svg") == 5
    assert page.outside == [] and "script" not in page.tags and "url(http" not in html
    assert "@import" not in html
    report.write(tmp_path / "again.html", example.drive(), WHEN)
    assert (tmp_path / "again.html").read_text(encoding="utf-8") == html


def test_text_from_outside_is_escaped() -> None:
    evil = '<script>alert("x")</script> & \x1b[31m \udcff {{ 7 * 7 }}'
    drive = replace(
        example.drive(),
        source=evil,
        vehicle=replace(example.VEHICLE, name=evil),
        call=replace(example.CALL, because=[evil], against=[evil], check_next=[evil]),
        findings=[Finding("gear_slip", 0.0, 1.0, {evil: evil})],
        launches=[Stretch(0.0, 1.0, "launch", 1, 3, None, None, None, None, {evil: evil})],
        lockup={evil: evil},
        counters={evil: 1},
        warnings=[records.Warning(1.0, "gear_slip", evil, True, 0.9)],
        cannot_judge=[evil],
        codes={evil: {evil: evil}},
        vin=evil,
        markers=[Marker(1.0, evil)],
        notices=[evil],
        rates=[Rate(evil, 1.0, 0.0)],
    )
    html = report.render(drive, {}, WHEN)
    page = Page(html)
    assert "script" not in page.tags and "\x1b" not in html and "\udcff" not in html
    assert page.text.count('<script>alert("x")</script>') >= 12
    assert "49" not in page.text.replace("2026", "")


def test_a_drive_that_shows_nothing_still_makes_a_report(tmp_path: Path) -> None:
    call = replace(
        example.CALL, finding="not_enough_evidence", where="unknown", because=[], against=[], check_next=[]
    )
    drive = Drive("empty.log", 0, 0, 0.0, example.VEHICLE, call, {})
    report.write(tmp_path / "r.html", drive, WHEN)
    page = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    for part in (
        "not hold enough evidence",
        "No launch was seen",
        "Slip could not be worked out",
        "None were read",
    ):
        assert part in page.text
    assert "nan" not in page.text and "None." not in page.text


def test_numbers_that_are_no_numbers_do_not_break_it(tmp_path: Path) -> None:
    drive = replace(
        example.drive(),
        duration_s=nan,
        slip=[SlipSpan(0.0, nan, inf, nan, True), SlipSpan(1.0, 1.0, 3.0, 2.0, True)],
        points=[
            Point(0.0, nan, nan, nan, nan, nan, "launch"),
            Point(0.0, 0.5, 150.0, inf, 1.5, inf, "launch"),
        ],
        shakes=[
            Oscillation(nan, nan, nan, nan, nan, nan, True),
            Oscillation(1.0, 9.0, 4.0, nan, nan, 3.0, True),
        ],
        warnings=[records.Warning(nan, "gear_slip", "", True, nan)],
        launches=[Stretch(nan, inf, "launch", 1, 0, nan, nan, 1e9, -1.0, {"slip_rpm": nan})],
        probabilities={"none": nan},
        heat_peak_kw=nan,
        heat_kj=inf,
    )
    report.write(tmp_path / "r.html", drive, WHEN)
    assert ">nan" not in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_a_long_drive_makes_a_small_page(tmp_path: Path) -> None:
    many = replace(
        example.drive(),
        slip=[SlipSpan(float(i), 1.0, 40.0, 20.0, i % 40 < 20) for i in range(2048)],
        points=[Point(float(i), i / 2048, 150.0, 3.0, 1.5, 0.1, "launch") for i in range(2048)],
        shakes=[Oscillation(float(i), 9.0, 4.0, 0.5, 12.0, 3.0, True) for i in range(2048)],
        warnings=[example.WARNING] * 300,
        duration_s=28800.0,
    )
    report.write(tmp_path / "r.html", many, WHEN)
    assert (tmp_path / "r.html").stat().st_size < 3_000_000


def test_figures_come_only_with_something_to_show() -> None:
    assert all_figures(replace(example.drive(), curves=None, slip=[], shakes=[])) == {}


@pytest.mark.parametrize("package", ["jinja2", "matplotlib"])
def test_a_missing_extra_is_a_one_line_error(monkeypatch: pytest.MonkeyPatch, package: str) -> None:
    monkeypatch.setattr(
        "livemon.views.report.find_spec", lambda name: None if name == package else find_spec(name)
    )
    with pytest.raises(UsageError, match=r"pip install '\.\[report\]'") as error:
        report.check()
    assert package in str(error.value) and "\n" not in str(error.value)


def test_a_place_that_cannot_be_written_is_a_one_line_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--report"):
        report.write(tmp_path / "no" / "such.html", example.drive(), WHEN)


def test_labels_and_numbers_read_as_a_person_writes_them() -> None:
    assert labels.label("slip_rpm") == "slip, rpm"
    assert labels.label("capacity_rpm_per_sqrt_nm") == "capacity, rpm/√(N m)"
    assert labels.label("samples") == "samples"
    assert [labels.number(v) for v in (None, nan, 61, 1.04, 12345.6, "text", True)] == [
        "not known", "not known", "61", "1.04", "12346", "text", "True",
    ]  # fmt: skip
    assert labels.rows({"launch_r_k": -0.303, "launch_r_k_sd": 0.117, "shudder_could_be_seen": 0}) == [
        ("K at launch, share of expected", "74 % (58 to 93)"),
        ("readings fast enough to rule shudder out", "no"),
    ]  # fmt: skip
    made = {"torque_made_of_seen_pct": 56, "torque_made_of_seen_sd_pct": 5, "torque_source": "air_flow"}
    assert labels.rows(made) == [
        ("torque made, share of what is reported, %", "56 ± 10"), ("torque", "air flow"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("residual", "sd", "words"),
    [
        (-0.18, None, "84 %"),
        (-0.18, 0.04, "84 % (77 to 90)"),
        (-1.835, 0.871, "under 91 %"),  # 3 to 91: no size, but a side
        (0.97, 0.4, "over 119 %"),
        (0.97, 1.9, "not known"),
        (None, 0.1, "not known"),
        (nan, 0.1, "not known"),
        (-1.0, 1e9, "not known"),
    ],
)
def test_a_share_comes_with_the_limits_of_its_logarithm(
    residual: float | None, sd: float | None, words: str
) -> None:
    assert labels.share(residual, sd) == words


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("ln_evidence_against_sound", 11.02, "more than 1 000 times"),
        ("ln_evidence_against_sound", 4.34, "80 times"),
        ("ln_evidence_against_sound", -3.0, "no"),
        ("smallest_false_alarm_probability", 7.354e-06, "once in 100 000"),
        ("smallest_false_alarm_probability", 0.0, "less than once in 1 000 000"),
        ("smallest_false_alarm_probability", 0.6, "often"),
        ("smallest_false_alarm_probability", None, "not known"),
        ("ln_evidence_of_half_order", -2.2, "no"),
        ("ln_evidence_of_half_order", 0.4, "cannot be told"),
        ("ln_evidence_of_half_order", nan, "not known"),
    ],
)
def test_evidence_is_told_in_words(key: str, value: float | None, words: str) -> None:
    assert [text for _, text in labels.rows({"probability": 0.9858, key: value})] == [words]
