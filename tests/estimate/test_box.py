"""What tells gear and clutch: where a box shifts down, slip that follows torque, an open converter."""

from __future__ import annotations

import sys
from math import exp, log, sin
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from made_up import open_slip  # it lies beside this file

from livemon.estimate.box import Box
from livemon.estimate.moment import Look, Moment
from livemon.estimate.schedule import DownshiftSpeed
from livemon.estimate.slope import SlipSlope


def gone_by(box: DownshiftSpeed, from_rpm: float, to_rpm: float) -> float:
    """Chance that it has shifted down on the way."""
    stays, rpm = 1.0, from_rpm
    while rpm > to_rpm:
        rpm *= 0.98
        stays *= 1.0 - box.chance(rpm, log(0.98), 0.0)[1]
    return 1.0 - stays


def test_shifts_down_on_the_way_to_idle_and_not_before() -> None:
    box = DownshiftSpeed()
    assert gone_by(box, 2400.0, 1500.0) < 0.02
    assert gone_by(box, 1500.0, 620.0) > 0.85


def test_a_steady_turbine_stays_in_gear() -> None:
    box = DownshiftSpeed()
    assert box.chance(1200.0, 0.0, 0.2)[1] < 1e-3


def test_some_boxes_hold_a_gear_to_a_crawl() -> None:
    """Three-speed boxes went from third to first at 400 rpm; common practice, no source."""
    box = DownshiftSpeed()
    assert 0.05 < 1.0 - gone_by(box, 1500.0, 600.0) < 0.2
    for _ in range(3):
        box.seen(500.0, None)
    assert gone_by(box, 1500.0, 560.0) < 0.2


def test_what_a_box_did_is_remembered() -> None:
    box = DownshiftSpeed()
    before = gone_by(box, 1500.0, 1150.0)
    for _ in range(4):
        box.seen(1280.0, 1200.0)
    assert gone_by(box, 1500.0, 1150.0) > 0.5 > 2.0 * before
    assert gone_by(box, 1500.0, 1300.0) < 0.15


def test_shifts_up_without_pedal_only_well_above() -> None:
    box = DownshiftSpeed()
    assert box.up(1700.0, 0.2) > 0.1
    assert box.up(900.0, 0.2) < 0.03


@pytest.mark.parametrize(("slope", "open_"), [(1.0, True), (0.05, False)])
def test_slip_that_follows_torque_is_open(slope: float, open_: bool) -> None:
    line = SlipSlope()
    for i in range(60):
        m = 0.05 + 0.02 * sin(0.15 * i)
        line.add(0.02 + slope * m, m, 0.2)  # a tyre 2 % off
    told = line.tell(0.003**2)
    assert told > 0.5 if open_ else told < -0.5


def test_steady_torque_tells_nothing() -> None:
    line = SlipSlope()
    for _ in range(60):
        line.add(0.05, 0.04, 0.2)
    assert line.tell(0.003**2) == 0.0


@pytest.mark.parametrize("x", [0.01, 0.05, 0.1, 0.3, 0.8, 2.0])
def test_torque_and_slip_are_one_curve(x: float) -> None:
    slip, n = open_slip(), 1800.0
    torque, _, _ = slip.torque_at(x, n)
    assert slip.x_at(torque, n * exp(-x)) == pytest.approx(x, rel=0.03, abs=0.003)


def test_stalled_torque_is_the_given_one() -> None:
    assert open_slip().stalled_nm(2200.0) == pytest.approx(220.0, rel=0.06)  # K hardly rises there


def test_the_level_of_the_curve_is_learned() -> None:
    slip, truth = open_slip(), open_slip()
    truth.level = 0.15
    for _ in range(300):
        torque, _, _ = truth.torque_at(0.12, 1800.0)
        slip.learn(0.12, 0.003, 1800.0, torque, 5.0)
    assert slip.level == pytest.approx(0.15, abs=0.04)


def under_load(t: float) -> Moment:
    """At 80 km/h, pedal down."""
    moment = Moment()
    moment.take(
        Look(
            t, 2000.0, 0.0, 80.0, 0.3, 0.3, 120.0, 8.0, True, False, 750.0, None, 1.0, None, 0.0, 100.0,
        ),
        0.2, 20.0,
    )  # fmt: skip
    return moment


@pytest.mark.parametrize(("on", "more"), [(0.0, False), (1.0, True)])
def test_a_clutch_does_what_it_has_done_in_that_gear(on: float, more: bool) -> None:
    """After a minute without it, one that comes on is a surprise; other gears are another matter."""
    box, fresh = (Box([100.0, 60.0, 40.0, 30.0, 22.0]) for _ in range(2))
    for i in range(300):
        box.watch(under_load(0.2 * i), 4, True, on)
    now = under_load(60.0)
    usual, learnt = fresh.rates(now, 4), box.rates(now, 4)
    assert (learnt.to_lock > 1.4 * usual.to_lock) is more
    assert (learnt.to_lock < 0.6 * usual.to_lock) is not more
    assert (learnt.to_open < usual.to_open) is more
    assert box.rates(now, 3) == fresh.rates(now, 3)
