"""`livemon stall` and `livemon vehicle`, from the command line."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from livemon.cli import main
from livemon.commands import stall

VEHICLE = """\
name = "bakery van"
[engine]
fuel = "diesel"
displacement_l = 2.2
peak_torque_nm = 350
peak_torque_rpm = 1800
[converter]
stall_speed_rpm = 2300
stall_torque_nm = 320
stall_torque_ratio = 1.9
coupling_speed_ratio = 0.87
"""


@pytest.fixture
def vehicle(tmp_path: Path) -> str:
    path = tmp_path / "v.toml"
    path.write_text(VEHICLE, encoding="utf-8")
    return str(path)


def test_stall_tells_speed_heat_and_caution(vehicle: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stall", "--vehicle", vehicle]) == 0
    out = capsys.readouterr().out
    assert "2300 rpm" in out and "77 kW" in out
    assert "A low stall alone does not prove the stator" in out
    assert "wheels chocked" in out and "local law" in out
    assert max(map(len, out.splitlines())) <= 110 and out.isascii()


@pytest.mark.parametrize(
    ("reading", "first"),
    [
        ("2300", "as it should be"),
        ("1590", "low: engine or stator"),
        ("2080", "low: engine or stator"),
        ("2560", "slip in the gearbox"),
    ],
)
def test_a_reading_is_judged(
    vehicle: str, reading: str, first: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Heisler, Advanced Vehicle Technology, table 5.3, to within this vehicle's wider band."""
    assert main(["stall", "--vehicle", vehicle, "--measured", reading]) == 0
    lines = capsys.readouterr().out.splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith(f"Measured {reading} rpm"))
    assert lines[at + 1].strip().startswith(first)
    assert any(line.startswith("Next:") for line in lines[at:]) == (first != "as it should be")
    assert lines.index(stall.CAUTION.splitlines()[0]) < at, "the caution comes before the numbers"


@pytest.mark.parametrize(("reading", "odds"), [("1590", "stator 3 to 1"), ("2080", "engine 3 to 1")])
def test_a_low_reading_alone_leaves_it_to_odds(
    vehicle: str, reading: str, odds: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["stall", "--vehicle", vehicle, "--measured", reading]) == 0
    out = capsys.readouterr().out
    assert f"odds between the two, given the stall speed alone: {odds}" in out
    assert not any(word in out for word in ("4 to 1", "5 to 1", "9 to 1"))


def test_a_reading_is_judged_against_the_engine_that_is_in_it(
    vehicle: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other.toml"
    other.write_text('name = "small"\n[engine]\ntorque_curve = [[500, 200], [5000, 200]]\n', encoding="utf-8")
    assert main(["stall", "--vehicle", vehicle, "--engine", str(other), "--measured", "1820"]) == 0
    lines = capsys.readouterr().out.splitlines()
    at = lines.index("Measured 1820 rpm, +0 % from the 1818 rpm expected behind the engine of small:")
    assert lines[at + 1].strip().startswith("as it should be")
    assert "What moves it, behind the engine of small:" in lines


def test_another_engine_and_thin_air(
    vehicle: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other.toml"
    other.write_text(
        'name = "tuned"\n[engine]\npeak_torque_nm = 520\npeak_torque_rpm = 2200\nfuel = "diesel"\n'
    )
    assert main(["stall", "--vehicle", vehicle, "--engine", str(other), "--barometer", "84"]) == 0
    out = capsys.readouterr().out
    assert "behind the engine of tuned" in out and "in this air (charged" in out


def test_curve_file(vehicle: str, tmp_path: Path) -> None:
    out = tmp_path / "c.csv"
    assert main(["stall", "--vehicle", vehicle, "--curve", str(out)]) == 0
    with out.open(encoding="utf-8") as file:
        header = file.readline().strip()
        rows = list(csv.DictReader(file, fieldnames=header.split(",")))
    assert header == (
        "speed_ratio,k,k_sd,torque_ratio,torque_ratio_sd,k_lost,k_lost_sd,k_seized,torque_ratio_seized"
    )
    assert [row["speed_ratio"] for row in (rows[0], rows[1], rows[-1])] == ["0.00", "0.01", "1.00"]
    assert len(rows) == 101
    assert float(rows[0]["k"]) == pytest.approx(2300.0 / 320.0**0.5, rel=1e-4)
    assert float(rows[0]["torque_ratio"]) == pytest.approx(1.9)


def test_curves_need_no_engine(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bare.toml"
    path.write_text("[converter]\nstall_torque_ratio = 2.0\n", encoding="utf-8")
    assert main(["stall", "--vehicle", str(path), "--curve", str(tmp_path / "c.csv")]) == 0
    assert "no stall speed" in capsys.readouterr().out
    assert main(["stall", "--vehicle", str(path)]) == 2
    assert "add engine.torque_curve" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[converter]\nstall_torque_ratio = 0.9\n", "v.toml:2: expected stall_torque_ratio of 1 to 6"),
        ("[converter]\ncoupling_speed_ratio = 1.1\n", "v.toml:2: expected coupling_speed_ratio of 0.5 to 1"),
        (
            "[engine]\ntorque_curve = [[1000, 200], [5000, 250]]\n[converter]\nstall_speed_rpm = 5500\n",
            "v.toml:4: expected a stall speed below the end of engine.torque_curve",
        ),
        (
            "[engine]\ntorque_curve = [[1000, 400], [2400, 800]]\n"
            "[converter]\ncurve = [[0, 150, 1.9], [0.5, 160, 1.4], [0.9, 200, 1]]\n",
            "below the engine's last speed, 2400 rpm",
        ),
    ],
)
def test_impossible_inputs_are_one_line(
    tmp_path: Path, text: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "v.toml"
    path.write_text(text, encoding="utf-8")
    assert main(["stall", "--vehicle", str(path)]) == 2
    error = capsys.readouterr().err
    assert words in error and error.count("\n") == 1


def test_new_then_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "new.toml"
    assert main(["vehicle", "new", str(path)]) == 0
    assert main(["vehicle", "check", str(path)]) == 0
    assert "body.mass_kg" in capsys.readouterr().out
    assert main(["vehicle", "new", str(path)]) == 2  # never over somebody's work


def test_every_line_of_the_template_can_be_used(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from livemon.commands.vehicle import TEMPLATE

    used = [line.removeprefix("# ") if " = " in line else line for line in TEMPLATE.splitlines()]
    used = [line for line in used if "Message.Signal" not in line]
    path = tmp_path / "full.toml"
    path.write_text("\n".join(used), encoding="utf-8")
    assert main(["vehicle", "check", str(path)]) == 0
    out = capsys.readouterr().out
    assert "Assumed" not in out and "turbine rpm per km/h" in out


def test_a_stall_row_of_any_name_keeps_the_columns(
    vehicle: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other.toml"
    other.write_text(f'name = "{"long " * 20}"\n[engine]\npeak_torque_nm = 300\n', encoding="utf-8")
    assert main(["stall", "--vehicle", vehicle, "--engine", str(other), "--barometer", "80"]) == 0
    out = capsys.readouterr().out
    rows = [x for x in out.splitlines() if x.startswith(("expected ", "in this air", "behind the"))]
    assert len(rows) == 3 and len({row.index(" rpm") for row in rows}) == 1


def test_stall_names_the_file_that_tells_nothing_of_its_engine(
    vehicle: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blank = tmp_path / "blank.toml"
    blank.write_text('name = "blank"\n', encoding="utf-8")
    assert main(["stall", "--vehicle", vehicle, "--engine", str(blank)]) == 2
    assert f"{blank}: expected torque of the engine" in capsys.readouterr().err


def test_check_writes_no_powers_of_ten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "v.toml"
    path.write_text("", encoding="utf-8")
    assert main(["vehicle", "check", str(path)]) == 0
    out = capsys.readouterr().out
    assert "2155 +- 660 kg" in out and "e+" not in out
