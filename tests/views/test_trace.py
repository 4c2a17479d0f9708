"""The trace: exactly the promised columns, empty where a number is not known."""

from __future__ import annotations

import csv
from dataclasses import replace
from math import inf, isfinite, nan
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.errors import UsageError
from livemon.records import Estimate, Regime
from livemon.views import example
from livemon.views.trace import TraceWriter

COLUMNS = [
    "time_s", "engine_rpm", "turbine_rpm", "slip_rpm", "slip_sd_rpm", "speed_ratio", "gear", "regime",
    "pump_torque_nm", "capacity_rpm_per_sqrt_nm", "torque_ratio",
]  # fmt: skip


def _rows(path: Path, *estimates: Estimate) -> list[dict[str, str]]:
    trace = TraceWriter(path)
    for estimate in estimates:
        trace.write(estimate)
    trace.close()
    with path.open(newline="") as file:
        rows = csv.DictReader(file)
        assert rows.fieldnames == COLUMNS
        return list(rows)


def test_a_full_row(tmp_path: Path) -> None:
    (row,) = _rows(tmp_path / "t.csv", example.ESTIMATE)
    assert row == {
        "time_s": "62.400", "engine_rpm": "1545.25", "turbine_rpm": "740.4", "slip_rpm": "804.8",
        "slip_sd_rpm": "11.00", "speed_ratio": "0.4790", "gear": "1", "regime": "launch",
        "pump_torque_nm": "181.5", "capacity_rpm_per_sqrt_nm": "114.70", "torque_ratio": "1.040",
    }  # fmt: skip


def test_what_is_not_known_is_empty(tmp_path: Path) -> None:
    (row,) = _rows(tmp_path / "t.csv", Estimate(1.0, 800.0))
    known = {name: value for name, value in row.items() if value}
    assert known == {"time_s": "1.000", "engine_rpm": "800.00", "regime": "unknown"}


@pytest.mark.parametrize(
    ("regime", "closing", "told"),
    [
        ("pull", 0.3, "locked"),  # it carries torque, though it slips yet
        ("coast", 0.3, "locked"),
        ("pull", 0.1, "pull"),
        ("launch", 0.3, "launch"),
        ("shift", 0.3, "shift"),
    ],
)
def test_a_clutch_that_comes_on_is_on(tmp_path: Path, regime: Regime, closing: float, told: str) -> None:
    coming = replace(
        example.ESTIMATE, regime=regime, locked_probability=0.3, closing_probability=closing, gear=4
    )
    full, sparse = _rows(tmp_path / "t.csv", coming, replace(coming, slip_rpm=None))
    assert full["regime"] == sparse["regime"] == told


maybe = st.none() | st.sampled_from([nan, inf, -inf]) | st.floats(-1e4, 1e4)


@given(
    turbine=maybe,
    slip=maybe,
    ratio=maybe,
    torque=maybe,
    k=maybe,
    tr=maybe,
    gear=st.none() | st.integers(-1, 10),
)
def test_every_cell_is_a_finite_number_or_empty(
    tmp_path_factory: pytest.TempPathFactory,
    turbine: float | None,
    slip: float | None,
    ratio: float | None,
    torque: float | None,
    k: float | None,
    tr: float | None,
    gear: int | None,
) -> None:
    estimate = Estimate(
        2.0, 900.0, "stationary_in_gear", turbine, 1.0, slip, 2.0, ratio, gear=gear,
        pump_torque_nm=torque, capacity_rpm_per_sqrt_nm=k, torque_ratio=tr,
    )  # fmt: skip
    (row,) = _rows(tmp_path_factory.mktemp("trace") / "t.csv", estimate)
    assert row.pop("regime") == "stationary_in_gear"
    assert all(cell == "" or isfinite(float(cell)) for cell in row.values())
    given = {
        "turbine_rpm": turbine, "slip_rpm": slip, "speed_ratio": ratio, "gear": gear,
        "pump_torque_nm": torque, "capacity_rpm_per_sqrt_nm": k, "torque_ratio": tr,
    }  # fmt: skip
    for name, value in given.items():
        if value is None or not isfinite(value):
            assert row[name] == ""
        else:
            assert float(row[name]) == pytest.approx(value, abs=0.051)


def test_a_full_disk_stops_the_trace_not_the_drive() -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("needs /dev/full")
    trace = TraceWriter(full)
    for _ in range(5000):
        trace.write(example.ESTIMATE)
    trace.close()
    assert "trace" in trace.notice


def test_a_place_that_cannot_be_written_is_a_one_line_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--trace"):
        TraceWriter(tmp_path / "no" / "such.csv")
