"""Closed or open by turbine speed alone: slip against what an open converter needs to pass the torque on."""

from __future__ import annotations

import sys
from collections.abc import Callable
from math import exp, pi, sin
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_up import open_slip  # it lies beside this file

from livemon.estimate.told_clutch import ToldClutch

RPM = 1800.0


def locked(
    slip_rpm: Callable[[float], float],
    torque_nm: float | None = 90.0,
    first: bool = False,
    target_rpm: float | None = None,
    every_s: float = 0.02,
) -> list[float]:
    """Probability from the third of ten seconds on, when torque is held."""
    clutch, told, slip = ToldClutch(target_rpm), list[float](), open_slip()
    for i in range(round(10.0 / every_s)):
        t = every_s * i
        torque = None if torque_nm is None else (torque_nm, 3.0)
        clutch.feed(t, RPM, RPM - slip_rpm(t), torque, slip, first)
        if t > 3.0:
            told.append(clutch.locked)
    return told


def if_open_rpm(torque_nm: float) -> float:
    return RPM * (1.0 - exp(-open_slip().x_taking(torque_nm, 3.0, RPM, 0.05)[0]))


@pytest.mark.parametrize("every_s", [0.02, 0.25])
@pytest.mark.parametrize("held_rpm", [0.0, 25.0, 60.0])
def test_slip_that_a_control_holds_is_a_closed_clutch(held_rpm: float, every_s: float) -> None:
    assert if_open_rpm(90.0) > 120.0
    assert min(locked(lambda t: held_rpm, every_s=every_s)) > 0.9


@pytest.mark.parametrize("torque_nm", [90.0, 160.0])
def test_slip_that_the_torque_calls_for_is_an_open_converter(torque_nm: float) -> None:
    slip = if_open_rpm(torque_nm)
    assert max(locked(lambda t: slip, torque_nm)) < 0.1
    assert max(locked(lambda t: 1.25 * slip, torque_nm)) < 0.3  # and one a little unlike its curve


@pytest.mark.parametrize("hertz", [4.0, 9.0, 15.0])
def test_a_clutch_that_shudders_is_closed_all_the_while(hertz: float) -> None:
    told = locked(lambda t: 22.0 + 22.0 * sin(2.0 * pi * hertz * t))
    assert min(told) > 0.9


def test_a_turbine_ahead_of_an_engine_that_drives_is_no_closed_clutch() -> None:
    """Behind a held stator torque flows past equal speeds."""
    assert max(locked(lambda t: -45.0)) < 0.2


def test_with_little_torque_slip_tells_little() -> None:
    assert all(0.1 < p < 0.95 for p in locked(lambda t: if_open_rpm(4.0), 4.0))


def test_hardly_any_box_closes_it_in_first_gear() -> None:
    slip = if_open_rpm(30.0)
    assert max(locked(lambda t: 0.6 * slip, 30.0, first=True)) < min(locked(lambda t: 0.6 * slip, 30.0))


def test_the_target_of_the_file_counts() -> None:
    assert min(locked(lambda t: 80.0, target_rpm=80.0)) > max(locked(lambda t: 80.0))


def test_without_torque_only_what_turns_together_is_closed() -> None:
    assert min(locked(lambda t: 4.0, None)) > 0.9
    assert max(locked(lambda t: 150.0, None)) < 0.1


def test_going_back_leaves_no_trace() -> None:
    clutch, slip = ToldClutch(), open_slip()
    for i in range(50):
        clutch.feed(0.02 * i, RPM, RPM - 3.0, (90.0, 3.0), slip, False)
    before = clutch.state
    clutch.feed(1.02, RPM, RPM - 200.0, (90.0, 3.0), slip, False)
    assert clutch.state != before
    clutch.restore(before)
    assert clutch.state == before
