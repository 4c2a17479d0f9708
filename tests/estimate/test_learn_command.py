"""`livemon vehicle learn`: a sound simulated drive calibrates its vehicle, within the spreads it states.

Too little is refused by what stood in the way, and a drive that shows a fault is no lesson.
"""

from __future__ import annotations

import re
from pathlib import Path
from statistics import median
from typing import NamedTuple

import pytest

from livemon.cli import main
from livemon.simulate.fast import drive
from livemon.simulate.scenario import draw
from livemon.vehicle_file import load

REPLAYS = Path(__file__).parents[2] / "replays"


class Recorded(NamedTuple):
    log: Path
    vehicle: Path
    radius_m: float  # tyre as the speed reading has it
    curve: dict[int, tuple[float, float]]  # true median K and torque ratio, by tenth of speed ratio


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    folder = tmp_path_factory.mktemp("learn")
    scenario = draw("none", 3, 300.0, readings_per_s=30.0, order="smart", style="mixed")
    moving, lines = drive(scenario, keep_truth=True), []
    for frame in moving:
        width = 8 if frame.extended else 3
        stamp = f"({1.7e9 + frame.time_s:.6f})"
        lines.append(f"{stamp} can0 {frame.can_id:0{width}X}#{frame.data.hex().upper()}\n")
    rows: dict[int, list[tuple[float, float]]] = {}
    for truth in moving.history:
        open_clutch = truth.clutch == "open" and truth.gear > 0 and truth.speed_ratio < 0.9
        if open_clutch and truth.pump_torque_nm > 25.0:
            k, tr = (
                truth.engine_rpm / truth.pump_torque_nm**0.5,
                truth.turbine_torque_nm / truth.pump_torque_nm,
            )
            rows.setdefault(int(10.0 * truth.speed_ratio), []).append((k, tr))
    curve = {tenth: (median(k for k, _ in own), median(tr for _, tr in own)) for tenth, own in rows.items()}
    log, vehicle = folder / "drive.log", folder / "vehicle.toml"
    log.write_text("".join(lines), encoding="utf-8")
    vehicle.write_text(scenario.vehicle_file_text(), encoding="utf-8")
    return Recorded(log, vehicle, scenario.unit.signals.tyre_radius_m, curve)


def learn(recording: Path, vehicle: Path, out: Path) -> int:
    return main(["vehicle", "learn", str(recording), "--vehicle", str(vehicle), "--out", str(out)])


def test_tyre_and_converter_are_learned_within_their_spreads(recorded: Recorded, tmp_path: Path) -> None:
    out = tmp_path / "learned.toml"
    assert learn(recorded.log, recorded.vehicle, out) == 0
    learned, text = load(str(out)), out.read_text(encoding="utf-8")
    assert learned.gear_ratios == load(str(recorded.vehicle)).gear_ratios
    assert learned.tyre_radius_m is not None
    spread = re.search(r"tyre radius ([\d.]+) ± ([\d.]+) m", text)
    assert spread and abs(float(spread[1]) - recorded.radius_m) < float(spread[2])
    rows = re.findall(r"speed ratio ([\d.]+): K (\d+) ± (\d+), torque ratio ([\d.]+) ± ([\d.]+)", text)
    inside = [
        abs(float(value) - true) <= float(two_sd)
        for at, k, k_2sd, tr, tr_2sd in rows
        for value, two_sd, true in zip(
            (k, tr), (k_2sd, tr_2sd), recorded.curve.get(int(10.0 * float(at)), ()), strict=False
        )
    ]
    assert len(inside) >= 14 and sum(inside) >= 0.85 * len(inside)
    at_pull = [(k, k_2sd) for ratio, k, k_2sd, _, _ in rows if 0.7 < float(ratio) < 0.8]
    assert all(float(k_2sd) < 0.14 * float(k) for k, k_2sd in at_pull)  # the file alone knew it to 22 %


def test_without_a_torque_ratio_in_the_file_only_k_at_stall_is_learned(
    recorded: Recorded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    vague, out = tmp_path / "vague.toml", tmp_path / "learned.toml"
    given = recorded.vehicle.read_text(encoding="utf-8").splitlines()
    vague.write_text("\n".join(x for x in given if "stall_torque_ratio" not in x), encoding="utf-8")
    assert learn(recorded.log, vague, out) == 0
    assert "write converter.stall_torque_ratio" in capsys.readouterr().out
    learned = load(str(out))
    assert not learned.curve and learned.stall_speed_rpm and learned.stall_torque_nm
    k_stall = learned.stall_speed_rpm / learned.stall_torque_nm**0.5
    assert k_stall == pytest.approx(recorded.curve[1][0], rel=0.12)


def test_a_drive_that_shows_a_fault_is_no_lesson(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "learned.toml"
    assert learn(REPLAYS / "lost_stator.log", REPLAYS / "lost_stator.toml", out) == 2
    assert (
        "expected a drive of a sound vehicle, got one that rather shows stator not holding"
        in capsys.readouterr().err
    )
    assert not out.exists()


def test_too_short_a_drive_is_refused_and_says_what_is_missing(
    recorded: Recorded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    short, out = tmp_path / "short.log", tmp_path / "learned.toml"
    lines = recorded.log.read_text(encoding="utf-8").splitlines(keepends=True)
    short.write_text("".join(lines[: len(lines) // 10]), encoding="utf-8")
    assert learn(short, recorded.vehicle, out) == 2
    said = capsys.readouterr().err
    assert "launches from rest" in said and "enough pulling away" in said and "% needed" in said
    assert not out.exists()


def test_the_vehicle_file_itself_is_not_overwritten(recorded: Recorded) -> None:
    before = recorded.vehicle.read_text(encoding="utf-8")
    assert learn(recorded.log, recorded.vehicle, recorded.vehicle) == 2
    assert recorded.vehicle.read_text(encoding="utf-8") == before
