"""Stall: the published judgements, the square law, altitude, errors."""

from __future__ import annotations

import csv
from math import pi, sqrt
from pathlib import Path

import pytest

from livemon.converter.stall import Stall, altitude_factor, read, scaled, stall
from livemon.errors import UsageError

VECTORS = Path(__file__).resolve().parent.parent / "vectors"


def flat(nm: float, sd: float = 0.0):  # type: ignore[no-untyped-def]
    return lambda rpm: (nm, sd)


def specified(rpm: float = 2300.0, band_rpm: float = 100.0) -> Stall:
    """A specified stall: accepted within band_rpm, taken as two standard deviations."""
    return Stall(rpm, 0.5 * band_rpm, 240.0, 58.0, 0.0)


def judgements() -> list[tuple[float, str]]:
    """Heisler, Advanced Vehicle Technology, table 5.3."""
    with (VECTORS / "stall_judgements.csv").open(encoding="utf-8") as lines:
        rows = csv.DictReader(line for line in lines if not line.startswith("#"))
        return [(float(row["reading_rpm"]), row["meaning"]) for row in rows]


@pytest.mark.parametrize(("reading", "meaning"), judgements())
def test_readings_are_judged_as_published(reading: float, meaning: str) -> None:
    chances = read(reading, specified(), lost_ratio=0.68, lost_ratio_sd=0.09)
    assert max(chances, key=lambda cause: chances[cause]) == meaning
    assert sum(chances.values()) == pytest.approx(1.0)


def test_truck_rule_leaves_engine_and_stator_open() -> None:
    """A heavy truck operator's manual names both for 33 % and more below the specification: so both stay."""
    chances = read(0.67 * 2000.0, specified(2000.0, 150.0), 0.70, 0.09)
    assert chances["stator_not_holding"] > 0.5 and chances["engine_low_output"] > 0.05


def test_absurd_readings_still_sum_to_one() -> None:
    for reading in (310.0, 700.0, 8900.0):
        assert sum(read(reading, specified(), 0.68, 0.09).values()) == pytest.approx(1.0)


def test_four_times_the_torque_stalls_at_twice_the_speed() -> None:
    """K = n / sqrt(T), SAE J643."""
    one, four = (stall(140.0, 0.0, flat(nm), 9000.0) for nm in (100.0, 400.0))
    assert one.rpm == pytest.approx(1400.0, abs=0.1) and four.rpm == pytest.approx(2800.0, abs=0.1)
    assert four.heat_kw == pytest.approx(400.0 * 2800.0 * pi / 30.0 / 1000.0, rel=1e-3)


def test_one_converter_behind_a_small_four_and_a_big_eight() -> None:
    """Common practice, no source: about 1800 rpm behind a 1.6-litre four, about 3000 behind a 450 hp V8.

    Full-load torque of engines of that sort, from memory: 140 N m and 430 N m at these speeds.
    """
    k = 1800.0 / sqrt(140.0)
    assert stall(k, 0.0, flat(430.0), 6500.0).rpm == pytest.approx(3000.0, rel=0.12)


def test_weaker_engine_moves_the_stall_by_the_root() -> None:
    whole, weak = stall(140.0, 0.0, flat(300.0), 9000.0), stall(140.0, 0.0, scaled(flat(300.0), 0.7), 9000.0)
    assert weak.rpm / whole.rpm == pytest.approx(sqrt(0.7), rel=1e-4)


def test_band_follows_both_errors() -> None:
    """d ln n = d ln K + d ln T / 2 on a flat torque curve."""
    point = stall(140.0, 2.8, flat(300.0, 12.0), 9000.0)
    assert point.sd_rpm / point.rpm == pytest.approx(sqrt(0.02**2 + 0.02**2), rel=1e-3)


def test_altitude_by_regulation() -> None:
    """UN Regulation 85: factor (99/p)^1.2 (T/298)^0.6 for engines with spark ignition; from memory."""
    assert altitude_factor(99.0, charged=False)[0] == pytest.approx(1.0, abs=1e-3)
    assert 1.0 / altitude_factor(84.0, charged=False)[0] == pytest.approx((99.0 / 84.0) ** 1.2, rel=1e-3)
    plain, charged = altitude_factor(84.0, charged=False), altitude_factor(84.0, charged=True)
    assert plain[0] < charged[0] < 1.0 and charged[1] > plain[1]


def test_impossible_stalls_are_refused() -> None:
    with pytest.raises(UsageError, match="below the engine's last speed"):
        stall(300.0, 0.0, flat(600.0), 6000.0)
    with pytest.raises(UsageError, match="above 500 rpm"):
        stall(30.0, 0.0, flat(50.0), 6000.0)
    with pytest.raises(UsageError, match="50 to 110 kPa"):
        altitude_factor(1013.0, charged=False)
    with pytest.raises(UsageError, match="degC"):
        altitude_factor(99.0, charged=False, intake_c=300.0)
