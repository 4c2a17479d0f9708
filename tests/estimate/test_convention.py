"""Whether percent torque is net or indicated, told from standing at idle and from overrun."""

from __future__ import annotations

import pytest

from livemon.estimate.convention import Convention

IDLE_PCT = (12.0, 4.0)  # accessories and pump in gear, percent of the reference torque


def drive(
    convention: Convention, idle_pct: float, overrun_pct: float, friction_pct: float | None = None
) -> None:
    """Three times: cruise, foot off, stand."""
    t = 0.0
    for _ in range(3):
        for rpm, kmh, pedal, percent in (
            (700.0, 0.0, 14.9, idle_pct),
            (1800.0, 60.0, 25.0, 30.0),
            (1700.0, 55.0, 14.9, overrun_pct),
        ):
            for _ in range(30):
                convention.look(t, percent, friction_pct, rpm, kmh, pedal, IDLE_PCT)
                t += 0.1


@pytest.mark.parametrize(("idle_pct", "overrun_pct", "net"), [(12.0, -10.0, True), (23.0, 0.0, False)])
def test_the_drive_tells_net_from_indicated(idle_pct: float, overrun_pct: float, net: bool) -> None:
    convention = Convention()
    drive(convention, idle_pct, overrun_pct)
    assert convention.net > 0.95 if net else convention.net < 0.05


def test_nothing_is_concluded_before_the_pedal_has_rested() -> None:
    convention = Convention()
    for i in range(100):
        convention.look(0.1 * i, 3.0, None, 2000.0, 80.0, 15.0, IDLE_PCT)
    assert convention.net == pytest.approx(0.5)


def test_a_unit_that_states_its_friction_reports_by_the_standard() -> None:
    convention = Convention()
    convention.look(0.0, 20.0, 9.0, 700.0, 0.0, 15.0, IDLE_PCT)
    assert convention.net == pytest.approx(0.1)
