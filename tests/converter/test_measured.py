"""Measured tables: published operating points, and tables that are not monotone."""

from __future__ import annotations

import csv
from math import inf, pi, sqrt
from pathlib import Path

import pytest

from livemon.converter.curves import Curves, at
from livemon.converter.measured import curves_from_table
from livemon.converter.stall import stall
from livemon.errors import UsageError

VECTORS = Path(__file__).resolve().parent.parent / "vectors"
PUMP_NM_AT_1000 = (377.8, 365.21, 352.62, 340.02, 327.43, 314.84, 302.24, 264.46, 226.68, 188.9, 0.0)
TORQUE_RATIO = (1.8, 1.71, 1.61, 1.52, 1.42, 1.33, 1.23, 1.14, 1.04, 0.95, 0.9405)
TRUCK = tuple(
    (0.1 * i, 1000.0 / sqrt(nm) if nm else inf, tr)
    for i, (nm, tr) in enumerate(zip(PUMP_NM_AT_1000, TORQUE_RATIO, strict=True))
)


def pump_for(curves: Curves, turbine_rpm: float, turbine_nm: float) -> tuple[float, float]:
    """Pump speed [rpm] and torque [N m] that give the turbine this: the more speed ratio, the less torque."""
    low, high = 1e-4, 1.0
    for _ in range(60):
        ratio = 0.5 * (low + high)
        pump_rpm = turbine_rpm / ratio
        pump_nm = (pump_rpm / at(curves.k, ratio)) ** 2
        low, high = (ratio, high) if at(curves.tr, ratio) * pump_nm > turbine_nm else (low, ratio)
    return pump_rpm, pump_nm


def test_published_operating_points() -> None:
    """VECTO's own unit-test results, source in the file, from the curves all else here rests on."""
    curves = curves_from_table(TRUCK)
    with (VECTORS / "operating_points.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == 14
    for row in rows:
        rpm = float(row["turbine_rpm"])
        pump_rpm, pump_nm = pump_for(curves, rpm, 1000.0 * float(row["turbine_kw"]) / (rpm * pi / 30.0))
        assert pump_rpm * pi / 30.0 == pytest.approx(float(row["pump_rad_s"]), rel=1e-4)
        assert pump_nm == pytest.approx(float(row["pump_nm"]), rel=1e-4)


def test_eu_generic_converter() -> None:
    """Reg. (EU) 2017/2400 Annex VI App. 9, T_max 1200 N m at 2200/min, printed for 1000/min: 404.79, 323.83,
    202.40 and 0 N m at SR 0, 0.6, 0.9 and 1. They are 0.8, 0.64 and 0.4 of T_max at 0.7 of rated speed."""
    size = 1200.0 * (1000.0 / (0.7 * 2200.0)) ** 2
    nodes = {0.0: 0.8, 0.6: 0.64, 0.9: 0.4}
    for share, printed in zip(nodes.values(), (404.79, 323.83, 202.40), strict=True):
        assert share * size == pytest.approx(printed, abs=0.005)
    rows = tuple((sr, 1000.0 / sqrt(share * size), 1.8 - 0.85 * sr / 0.9) for sr, share in nodes.items())
    curves = curves_from_table(rows)
    for sr, printed in {
        0.1: 391.297,
        0.3: 364.311,
        0.65: 303.592,
        0.7: 283.353,
        0.8: 242.874,
        0.95: 101.198,
    }.items():
        assert (1000.0 / curves.k[round(100 * sr)]) ** 2 == pytest.approx(printed, abs=0.002)
    assert (1000.0 / curves.k[100]) ** 2 < 0.011 * 404.79  # 0 printed for SR 1: drag keeps it finite here
    assert curves.tr[30] == pytest.approx(1.5167, abs=1e-4) and curves.tr[70] == pytest.approx(
        1.1389, abs=1e-4
    )
    stalled = stall(curves.k[0], 0.0, lambda rpm: (1200.0, 0.0), 2200.0)
    assert stalled.rpm == pytest.approx(0.7 * 2200.0 / sqrt(0.8), abs=0.1)


def test_k_need_not_be_monotone() -> None:
    curves = curves_from_table(((0.0, 130.0, 1.7), (0.3, 122.0, 1.45), (0.6, 131.0, 1.2), (0.9, 178.0, 1.0)))
    assert curves.k[30] == pytest.approx(122.0) and curves.k[0] == pytest.approx(130.0)
    assert curves.k[15] < 130.0 and curves.k[95] > curves.k[90]
    assert curves.coupling_speed_ratio == pytest.approx(0.9)
    assert curves.k_lost[0] < 0.9 * curves.k[0] and curves.assumed == ()


def test_nothing_is_sure_between_distant_rows() -> None:
    curves = curves_from_table(((0.0, 130.0, 1.9), (0.1, 131.0, 1.8), (0.85, 170.0, 1.02), (0.9, 178.0, 1.0)))
    assert curves.k_sd[50] / curves.k[50] > 1.5 * curves.k_sd[5] / curves.k[5]


@pytest.mark.parametrize(
    "rows",
    [
        ((0.0, 130.0, 1.9), (0.9, 178.0, 1.0)),
        ((0.4, 130.0, 1.4), (0.6, 150.0, 1.2), (0.9, 178.0, 1.0)),
        ((0.0, 130.0, 1.9), (0.2, 133.0, 1.7), (0.4, 140.0, 1.5)),
        ((0.0, 130.0, 0.8), (0.5, 140.0, 0.8), (0.9, 178.0, 0.8)),
    ],
)
def test_tables_that_are_no_converter(rows: tuple[tuple[float, float, float], ...]) -> None:
    with pytest.raises(UsageError):
        curves_from_table(rows)
