"""The change of one vehicle from check to check, with an honest band."""

from __future__ import annotations

from math import log
from random import Random
from typing import Any

import pytest

from livemon.views import trend


def _result(*r_k: float, sd: float = 0.05, slip: float | None = None) -> dict[str, Any]:
    launches = [{"r_k": r, "r_k_sd": sd, "r_t": None, "r_t_sd": None} for r in r_k]
    return {"launches": launches, "lockup": {"mean_slip_rpm": slip}}


def test_a_weighted_mean_of_the_launches() -> None:
    level = trend.launch_level(
        {"launches": [{"r_k": 0.0, "r_k_sd": 0.1}, {"r_k": -0.3, "r_k_sd": 0.2}]}, "r_k"
    )
    assert level is not None
    assert level.mean == pytest.approx(-0.06)  # weights 4 : 1
    assert level.sd >= 0.12


def test_launches_that_agree_are_no_surer_than_one_of_them() -> None:
    """Curve, torque signal, tyre and mass are off by the same in all: that never averages out."""
    many = trend.launch_level(_result(*[-0.2] * 20, sd=0.1), "r_k")
    assert many == pytest.approx((-0.2, 0.1))


def test_launches_that_disagree_widen_the_band() -> None:
    agree, differ = (
        trend.launch_level(_result(0.0, 0.0), "r_k"),
        trend.launch_level(_result(-0.4, 0.4), "r_k"),
    )
    assert agree is not None and differ is not None and differ.sd > 5 * agree.sd


def test_launches_without_numbers_do_not_count() -> None:
    assert (
        trend.launch_level({"launches": [{"r_k": None, "r_k_sd": None}, {"r_k": 1.0, "r_k_sd": 0.0}]}, "r_k")
        is None
    )
    assert trend.launch_level({}, "r_k") is None


def test_a_clear_fall_is_told_with_its_band() -> None:
    said = trend.sentences([_result(0.0, sd=0.02), _result(0.01, sd=0.02), _result(log(0.8), sd=0.02)])
    assert said[0] == "The capacity factor K at launch fell by 20 % (16 to 25) against the earlier checks."
    assert "cannot be compared" in said[1]


def test_a_rise_has_its_own_limits() -> None:
    said = trend.sentences([_result(0.0, sd=0.1), _result(log(1.6), sd=0.1)])
    assert "rose by 60 % (21 to 112)" in said[0]


def test_a_change_too_wide_to_size_is_told_only_where_it_is_clear() -> None:
    assert "not known well enough" in trend.sentences([_result(0.0, sd=0.4), _result(-0.3, sd=0.4)])[0]
    assert "fell by at least 20 %" in trend.sentences([_result(0.0, sd=0.3), _result(-1.07, sd=0.3)])[0]


def test_what_no_measurement_gives_does_not_count() -> None:
    assert trend.launch_level(_result(-290.0, sd=140.0), "r_k") is None


def test_no_change_is_called_no_change() -> None:
    assert "has not clearly changed" in trend.sentences([_result(0.0), _result(0.04)])[0]
    assert trend.sentences([_result(0.0)]) == ["One check only: nothing to compare with yet."]


def test_a_healthy_vehicle_is_rarely_told_to_have_changed() -> None:
    """Half of the variance is the day's own, the same in all its launches, as load is."""
    random = Random(5)
    told = 0
    for _ in range(400):
        days = [random.gauss(0.0, 0.05) for _ in range(4)]
        checks = [_result(*(random.gauss(day, 0.05) for _ in range(3)), sd=0.07) for day in days]
        told += "not clearly" not in trend.sentences(checks)[0]
    assert told / 400 < 0.05


def test_the_row_of_one_check() -> None:
    assert trend.cells(_result(log(0.8), sd=0.02, slip=14.4)) == ["80 % (77 to 83)", "-", "14 rpm"]
    assert trend.cells(_result(log(0.8), sd=0.4))[0] == "not known"
    assert trend.cells({}) == ["-", "-", "-"]
