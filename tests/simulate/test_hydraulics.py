"""The simulated converter against published converters and another implementation of the physics."""

from __future__ import annotations

from functools import cache
from math import pi, radians, sqrt, tan

import pytest

from livemon.converter import mean_path
from livemon.simulate.hydraulics import STEPS, Geometry, Stator, Table, operating_point, table
from livemon.simulate.scenario import draw

# [ADVISOR] TX_AUTO4 and [VECTO] demo converter: speed ratio, torque ratio, K over K at stall.
ADVISOR = (
    (0.0, 2.0, 1.0),
    (0.5, 1.43, 1.134),
    (0.7, 1.21, 1.269),
    (0.8, 1.10, 1.366),
    (0.9, 1.0, 1.573),
    (0.95, 1.0, 2.108),
)
VECTO = ((0.0, 1.8, 1.0), (0.5, 1.33, 1.095), (0.7, 1.14, 1.195), (0.8, 1.04, 1.291))  # fmt: skip


def test_reference_wheel() -> None:
    """Form after [Hrovat1985]; the numbers of this wheel are from memory."""
    g = Geometry()
    held, ratio = operating_point(g, 0.0, "working")
    free, one = operating_point(g, 0.0, "lost")
    assert ratio == pytest.approx(2.17, abs=0.01)
    assert 30.0 / pi / sqrt(held) == pytest.approx(160.7, abs=0.2)
    assert 30.0 / pi / sqrt(free) == pytest.approx(101.0, abs=0.5)
    assert one == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("sr", [0.0, 0.3, 0.6, 0.85])
def test_a_slipping_stator_lies_between_held_and_free(sr: float) -> None:
    g = Geometry()
    held, free = operating_point(g, sr, "working"), operating_point(g, sr, "lost")
    half = operating_point(g, sr, "working", grip=0.5)
    assert min(held[0], free[0]) < half[0] < max(held[0], free[0])
    assert 1.0 < half[1] < held[1]


def test_a_lost_reaction_multiplies_nothing_and_a_seized_one_takes_torque_past_coupling() -> None:
    converter = draw("none", 5).converter
    working, lost, seized = (table(converter, state) for state in ("working", "lost", "seized"))
    assert all(ratio == pytest.approx(1.0, abs=1e-9) for ratio in lost.ratio)
    past = round((working.coupling_speed_ratio + 0.05) * STEPS)
    assert working.ratio[past] == pytest.approx(1.0, abs=1e-9)
    assert seized.ratio[past] < 1.0
    assert seized.ratio[0] == working.ratio[0]


@cache
def drawn_tables() -> tuple[Table, ...]:
    return tuple(table(draw("none", seed).converter, "working") for seed in range(60))


@pytest.mark.parametrize("published", [ADVISOR, VECTO])
def test_published_converters_lie_among_the_drawn_ones(
    published: tuple[tuple[float, float, float], ...],
) -> None:
    """At every listed speed ratio the published K/K(0) and torque ratio are within the drawn population."""
    drawn = drawn_tables()
    for sr, ratio, k_share in published:
        i = round(sr * STEPS)
        shares = sorted(sqrt(t.capacity[0] / t.capacity[i]) for t in drawn)
        ratios = sorted(t.ratio[i] for t in drawn)
        assert shares[0] - 0.02 <= k_share <= shares[-1] + 0.02, sr
        assert ratios[0] - 0.03 <= ratio <= ratios[-1] + 0.03, sr


def test_what_is_left_without_reaction_spans_the_physical_range() -> None:
    """K free over K held at stall: from about 0.55 to 0.9, by the stator's inlet angle."""
    shares = []
    for seed in range(80):
        g = draw("none", seed).converter.geometry
        shares.append(sqrt(operating_point(g, 0.0, "working")[0] / operating_point(g, 0.0, "lost")[0]))
    assert 0.55 <= min(shares) < 0.65
    assert 0.78 < max(shares) <= 0.9


@pytest.mark.parametrize("seed", [0, 3, 9])
@pytest.mark.parametrize(("here", "there"), [("working", "working"), ("lost", "free"), ("seized", "held")])
def test_two_implementations_of_the_same_physics_agree(seed: int, here: Stator, there: str) -> None:
    """livemon.converter works its own way through the same equations."""
    g = draw("none", seed).converter.geometry
    theirs = mean_path.Geometry(
        pump_radius_m=g.pump_radius_m,
        turbine_radius_m=g.turbine_radius_m,
        stator_radius_m=g.stator_radius_m,
        pump_exit_tan=tan(radians(g.pump_exit_deg)),
        turbine_exit_tan=tan(radians(g.turbine_exit_deg)),
        stator_exit_tan=tan(radians(g.stator_exit_deg)),
        pump_inlet_tan=tan(radians(g.pump_inlet_deg)),
        turbine_inlet_tan=tan(radians(g.turbine_inlet_deg)),
        stator_inlet_tan=tan(radians(g.stator_inlet_deg)),
        shock=g.shock,
        friction=g.friction,
    )
    for sr in (0.0, 0.25, 0.5, 0.75, 0.95):
        pump_nm, ratio = operating_point(g, sr, here)
        other = mean_path.operating_point(theirs, 200.0, 200.0 * sr, there)  # type: ignore[arg-type]
        assert pump_nm * 200.0**2 == pytest.approx(float(other.pump_nm), rel=1e-6)
        assert ratio == pytest.approx(-float(other.turbine_nm) / float(other.pump_nm), rel=1e-6)
