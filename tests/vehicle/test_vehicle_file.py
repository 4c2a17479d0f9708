"""The vehicle file: what it accepts, what it refuses and where it points, and the round trip."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livemon.errors import UsageError
from livemon.vehicle import Known
from livemon.vehicle_file import dump, load, parse, tyre_radius_m

GOOD = """\
schema = 1
name = "bakery van"

[body]
mass_kg = 2100
rolling_resistance = 0.0095

[driveline]
gear_ratios = [4.1, 2.3, 1.5, 1.1, 0.85, 0.69]
final_drive = 3.4
tyre = "225/65R16"

[engine]
fuel = "diesel"
displacement_l = 2.2
peak_torque_nm = 350
peak_torque_rpm = 1800

[converter]
stall_speed_rpm = 2200
stall_torque_ratio = 1.9

[broadcast]
engine_rpm = "Engine.Speed"
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "v.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_numbers_arrive_with_how_well_they_are_known(tmp_path: Path) -> None:
    vehicle = load(written(tmp_path, GOOD))
    assert vehicle.name == "bakery van" and vehicle.mass_kg == Known(2100.0, 105.0)
    assert vehicle.tyre_radius_m is not None and not vehicle.tyre_radius_m.assumed
    assert vehicle.gear_ratios[0] == 4.1 and vehicle.broadcast == {"engine_rpm": "Engine.Speed"}
    assert vehicle.drag_area_m2.assumed
    assert "body.drag_area_m2" in vehicle.assumed and "body.mass_kg" not in vehicle.assumed
    assert "converter.coupling_speed_ratio" in vehicle.assumed
    assert "converter.stall_speed_rpm" not in vehicle.assumed


def test_an_empty_file_is_a_vehicle(tmp_path: Path) -> None:
    vehicle = load(written(tmp_path, ""))
    assert vehicle.name is None and len(vehicle.assumed) == 9


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("mass_kg", "mas_kg", 5, "did you mean mass_kg?"),
        ("mass_kg = 2100", "final_drive = 3.0", 5, "it belongs in [driveline]"),
        ("mass_kg = 2100", "zzz = 1", 5, "known: mass_kg"),
        ("2100", "-3", 5, "500 to 50000 kg, got -3"),
        ("2100", "nan", 5, "got nan"),
        ("2100", "true", 5, "a number for mass_kg"),
        ("[driveline]", "[drivline]", 8, "did you mean [driveline]?"),
        ("4.1, 2.3", "2.3, 4.1", 9, "ratios falling"),
        ("[4.1, 2.3, 1.5, 1.1, 0.85, 0.69]", "[]", 9, "at least 1"),
        ('"225/65R16"', '"big"', 11, "225/55R17"),
        ('"diesel"', '"coal"', 14, '"petrol" or "diesel"'),
        ("= 350", "= = 350", 16, "TOML"),
        ("= 1.9", '= "1.9"', 21, "without quotes"),
        ("= 1.9", "= 0.9", 21, "1 to 6"),
        ("stall_torque_ratio = 1.9", "coupling_speed_ratio = 1.02", 21, "0.5 to 1"),
        ("1.9", "3.4\ncoupling_speed_ratio = 0.97", 21, "less power out"),
        ("peak_torque_rpm = 1800", "torque_curve = [[1000, 200], [2000, 300]]", 20, "below the end"),
        ("peak_torque_rpm = 1800", "torque_curve = [[1000, 200], [900, 300]]", 17, "rises"),
        ("peak_torque_rpm = 1800", "torque_curve = [[1000, 200, 3]]", 17, "at least 2"),
        ("peak_torque_rpm = 1800", "torque_curve = [[1000, 200, 3], [2000, 2]]", 17, "rows of 2"),
        (
            "stall_torque_ratio = 1.9",
            "curve = [[0.4, 130, 1.9], [0.6, 140, 1.5], [0.9, 170, 1.0]]",
            21,
            "rows",
        ),
        ("engine_rpm = ", "engine_speed = ", 24, "did you mean engine_rpm?"),
        ('"Engine.Speed"', "3", 24, "text for engine_rpm"),
        ("schema = 1", "schema = 2", 1, "schema = 1"),
        ("[body]", "body = 3\n[bodies]", 4, "a section [body]"),
    ],
)
def test_complaints_name_the_line(tmp_path: Path, old: str, new: str, line: int, words: str) -> None:
    assert old in GOOD
    with pytest.raises(UsageError) as caught:
        load(written(tmp_path, GOOD.replace(old, new, 1)))
    message = str(caught.value)
    assert words in message and f"v.toml:{line}:" in message


def test_dotted_and_quoted_keys_are_found(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"v\.toml:2:"):
        load(written(tmp_path, 'name = "x"\nbody.mass_kg = 3\n'))
    with pytest.raises(UsageError, match=r"v\.toml:3:"):
        load(written(tmp_path, '[body]\n# mass_kg = 5\n"mass_kg" = 3\n'))


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="readable vehicle file"):
        load(tmp_path / "absent.toml")
    with pytest.raises(UsageError, match="readable vehicle file"):
        load(tmp_path)
    bad = tmp_path / "b.toml"
    bad.write_bytes(b"name = '\xff\xfe'")
    with pytest.raises(UsageError, match="UTF-8"):
        load(bad)


def test_byte_order_mark_and_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "w.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load(path).final_drive == 3.4


optional = {
    "mass_kg": st.floats(900.0, 4000.0),
    "stall_torque_ratio": st.floats(1.3, 2.2),
    "lockup_slip_target_rpm": st.floats(0.0, 80.0),
    "cylinders": st.integers(3, 12),
}


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.text(min_size=1, max_size=20).filter(lambda t: t.strip()), st.fixed_dictionaries({}, optional=optional)
)
def test_round_trip(tmp_path: Path, name: str, numbers: dict[str, float]) -> None:
    sections = {"mass_kg": "body", "cylinders": "engine"}
    lines = [f"{sections.get(key, 'converter')}.{key} = {value!r}" for key, value in numbers.items()]
    first = load(written(tmp_path, "\n".join(lines)))
    from dataclasses import replace

    first = replace(first, name=name.encode("utf-8", "ignore").decode() or "x")
    dump(first, tmp_path / "again.toml")
    again = load(tmp_path / "again.toml")
    assert again.name == first.name and again.assumed == first.assumed and again.cylinders == first.cylinders
    assert again.mass_kg.value == pytest.approx(first.mass_kg.value, rel=1e-6)
    assert (again.stall_torque_ratio or 0.0) == pytest.approx(first.stall_torque_ratio or 0.0, rel=1e-6)


def test_whole_file_round_trip(tmp_path: Path) -> None:
    vehicle = load(written(tmp_path, GOOD))
    dump(vehicle, tmp_path / "again.toml")
    assert load(tmp_path / "again.toml") == vehicle


@pytest.mark.parametrize(
    ("size", "metres"),
    [("225/55R17", 0.3297), ("LT245/75R16", 0.3756), ("275/70R22.5", 0.4642), ("P205/65 R15 94V", 0.3143)],
)
def test_tyre_sizes(size: str, metres: float) -> None:
    """Rolling circumference 3.05 x diameter: ETRTO standards manual, general data (from memory)."""
    radius = tyre_radius_m(size)
    assert radius is not None and radius.value == pytest.approx(metres, abs=5e-4)
    assert 0.005 < radius.sd / radius.value < 0.03


@pytest.mark.parametrize("size", ["", "17", "225/55", "2255517", "225/55R99", "tyre"])
def test_what_is_no_tyre_size(size: str) -> None:
    assert tyre_radius_m(size) is None


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_damaged_files_never_crash(tmp_path: Path, data: st.DataObject) -> None:
    """Any piece of a good file replaced by anything: a vehicle or one UsageError with a line."""
    start = data.draw(st.integers(0, len(GOOD) - 1))
    stop = data.draw(st.integers(start, min(start + 12, len(GOOD))))
    junk = st.sampled_from(
        ["", "9" * 400, "9" * 5000, "[" * 3000, "1979-05-27", "{a=1}", "[[body]]", "inf", "-", '"', "="]
    )
    text = GOOD[:start] + data.draw(junk | st.text(max_size=6)) + GOOD[stop:]
    path = tmp_path / "v.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        load(path)
    except UsageError as error:
        assert str(path) in error.where


def test_an_engine_no_converter_fits_is_told_at_its_own_line() -> None:
    text = "[engine]\ntorque_curve = [[0, 1], [9000, 1]]\n"
    with pytest.raises(UsageError) as raised:
        parse(text, "v.toml")
    assert raised.value.where == "v.toml:2" and "engine torque" in raised.value.expected


@pytest.mark.parametrize(
    "line", ["schema = 0x{}", "[body]\nmass_kg = 0x{}", "[driveline]\ngear_ratios = [0x{}]"]
)
def test_a_number_of_thousands_of_digits_is_a_complaint_of_one_line(line: str) -> None:
    with pytest.raises(UsageError) as raised:
        parse(line.format("f" * 5000), "v.toml")
    assert len(str(raised.value)) < 200
