"""`livemon vehicle learn`: a sound simulated drive calibrates its vehicle; too little is refused by name."""

from __future__ import annotations

from pathlib import Path
from statistics import median
from typing import NamedTuple

import pytest

from livemon.cli import main
from livemon.simulate.fast import drive
from livemon.simulate.scenario import draw
from livemon.vehicle_file import load


class Recorded(NamedTuple):
    log: Path
    vehicle: Path
    radius_m: float  # tyre as the speed reading has it
    k: float  # engine rpm / sqrt(pump torque), true median near a speed ratio of 0.6


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    folder = tmp_path_factory.mktemp("learn")
    scenario = draw("none", 1, 240.0, readings_per_s=18.0, order="smart")
    moving, lines = drive(scenario, keep_truth=True), []
    for frame in moving:
        width = 8 if frame.extended else 3
        stamp = f"({1.7e9 + frame.time_s:.6f})"
        lines.append(f"{stamp} can0 {frame.can_id:0{width}X}#{frame.data.hex().upper()}\n")
    seen = [
        truth.engine_rpm / truth.pump_torque_nm**0.5
        for truth in moving.history
        if truth.clutch == "open" and 0.55 < truth.speed_ratio < 0.65 and truth.pump_torque_nm > 25.0
    ]
    log, vehicle = folder / "drive.log", folder / "vehicle.toml"
    log.write_text("".join(lines), encoding="utf-8")
    vehicle.write_text(scenario.vehicle_file_text(), encoding="utf-8")
    return Recorded(log, vehicle, scenario.unit.signals.tyre_radius_m, median(seen))


def learn(recording: Path, vehicle: Path, out: Path) -> int:
    return main(["vehicle", "learn", str(recording), "--vehicle", str(vehicle), "--out", str(out)])


def test_tyre_and_converter_are_learned(recorded: Recorded, tmp_path: Path) -> None:
    out = tmp_path / "learned.toml"
    assert learn(recorded.log, recorded.vehicle, out) == 0
    learned = load(str(out))
    assert learned.tyre_radius_m is not None
    assert learned.tyre_radius_m.value == pytest.approx(recorded.radius_m, rel=0.01)
    assert learned.gear_ratios == load(str(recorded.vehicle)).gear_ratios
    rows = [k for ratio, k, _ in learned.curve if 0.5 <= ratio <= 0.7]
    # the learned K is with torque as reported, which is a tenth off at such a load
    assert rows and median(rows) == pytest.approx(recorded.k, rel=0.15)
    assert "Spreads" in out.read_text(encoding="utf-8")


def test_too_short_a_drive_is_refused_and_says_what_is_missing(
    recorded: Recorded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    short, out = tmp_path / "short.log", tmp_path / "learned.toml"
    lines = recorded.log.read_text(encoding="utf-8").splitlines(keepends=True)
    short.write_text("".join(lines[: len(lines) // 10]), encoding="utf-8")
    assert learn(short, recorded.vehicle, out) == 2
    said = capsys.readouterr().err
    assert "launches from rest" in said and "converter clutch applied" in said
    assert not out.exists()


def test_the_vehicle_file_itself_is_not_overwritten(recorded: Recorded) -> None:
    before = recorded.vehicle.read_text(encoding="utf-8")
    assert learn(recorded.log, recorded.vehicle, recorded.vehicle) == 2
    assert recorded.vehicle.read_text(encoding="utf-8") == before
