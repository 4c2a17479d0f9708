"""The mean-path model: balances, known limit cases, and an independent solution of the same equations."""

from __future__ import annotations

from dataclasses import replace
from math import pi, radians, tan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from livemon.converter.mean_path import Geometry, Stator, characteristic, operating_point

SR = np.linspace(0.0, 1.0, 101)
STATES: tuple[Stator, ...] = ("working", "free", "held", "none")
geometries = st.builds(
    Geometry,
    turbine_radius_m=st.floats(0.05, 0.08),
    stator_radius_m=st.floats(0.05, 0.08),
    pump_exit_tan=st.floats(-1.0, 0.7),
    turbine_exit_tan=st.floats(-2.4, -0.6),
    stator_exit_tan=st.floats(0.5, 2.4),
    pump_inlet_tan=st.floats(-1.2, 0.3),
    turbine_inlet_tan=st.floats(0.2, 2.0),
    stator_inlet_tan=st.floats(-1.0, 0.5),
    shock=st.floats(0.3, 1.3),
    friction=st.floats(0.05, 0.6),
)


@given(geometries, st.floats(20.0, 600.0), st.floats(0.0, 900.0), st.sampled_from(STATES))
def test_torque_and_energy_balance(g: Geometry, pump: float, turbine: float, stator: Stator) -> None:
    p = operating_point(g, pump, turbine, stator)
    torque = float(abs(p.pump_nm) + abs(p.turbine_nm) + abs(p.stator_nm)) + 1e-12
    power = float(abs(p.pump_nm * pump) + abs(p.turbine_nm * turbine)) + 1e-9
    assert abs(p.pump_nm + p.turbine_nm + p.stator_nm) <= 1e-9 * torque
    work = p.pump_nm * pump + p.turbine_nm * turbine + p.stator_nm * p.stator_rad_s
    assert work == pytest.approx(p.shock_w + p.friction_w, abs=1e-7 * power)
    assert p.shock_w >= 0.0 and p.friction_w >= 0.0
    if turbine <= pump:
        assert p.flow_m3_s >= 0.0
    elif stator == "held":  # it keeps the flow going for a while
        assert p.flow_m3_s <= 0.0 or p.pump_nm > 0.0
    else:
        assert p.flow_m3_s <= 0.0


@given(geometries, st.floats(0.0, 3.0))
def test_without_reaction_torque_passes_unchanged(g: Geometry, ratio: float) -> None:
    """Stator free, or none at all (the old fluid coupling): nothing carries torque but pump and turbine."""
    for stator in ("free", "none"):
        p = operating_point(g, 100.0, 100.0 * ratio, stator)
        assert p.pump_nm + p.turbine_nm == pytest.approx(0.0, abs=1e-9 * (1.0 + abs(float(p.pump_nm))))


def test_flow_agrees_with_a_root_finder_on_the_energy_balance() -> None:
    """The same balance written out longhand in the flow and solved by bisection, stator held and free."""
    g = Geometry()
    r_p, r_t, r_s, area, rho = 0.110, 0.066, 0.060, 0.0097, 840.0
    w_p, w_t = 200.0, 90.0

    def unbalance(a: float, held: bool) -> float:
        v_p, v_t = r_p * w_p + a * 0.3252, r_t * w_t - a * 1.6668
        w_s = 0.0 if held else (r_t * v_t / r_s - a * 1.7004) / r_s
        v_s = r_s * w_s + a * 1.7004
        work = w_p * (r_p * v_p - r_s * v_s) + w_t * (r_t * v_t - r_p * v_p) + w_s * (r_s * v_s - r_t * v_t)
        shock = (
            (v_s - r_s * w_p + a * 0.5774) ** 2 + (v_p - r_p * w_t - a * 1.4281) ** 2 + (v_t - r_t * w_s) ** 2
        )
        return work - 0.5 * shock - 0.125 * a * a * (3.0 + 0.3252**2 + 1.6668**2 + 1.7004**2)

    for held, stator in ((True, "held"), (False, "free")):
        flow = brentq(lambda a: unbalance(a, held), 0.5, 60.0)  # noqa: B023
        p = operating_point(g, w_p, w_t, stator)  # type: ignore[arg-type]
        assert p.flow_m3_s == pytest.approx(area * flow, rel=1e-9)
        v_p, v_t = r_p * w_p + flow * 0.3252, r_t * w_t - flow * 1.6668
        assert p.turbine_nm == pytest.approx(rho * area * flow * (r_t * v_t - r_p * v_p), rel=1e-9)


def test_the_textbook_set_gives_its_known_figures() -> None:
    """Geometry after Hrovat & Tobler, J. Franklin Inst. 319 (1985), from memory: a check of form only."""
    working = characteristic(Geometry(), SR)
    free = characteristic(Geometry(), SR, "free")
    assert working.torque_ratio[0] == pytest.approx(2.17, abs=0.005)
    assert working.capacity[0] == pytest.approx(160.7, abs=0.1)
    assert free.capacity[0] == pytest.approx(101.0, abs=0.5)
    coupling = SR[np.argmax(working.torque_ratio <= 1.0)]
    assert coupling == pytest.approx(0.91, abs=0.011)


def test_stator_inlet_angle_sets_what_is_lost_with_the_reaction() -> None:
    """K free over K held at stall: about 0.55 at +15 deg of stator inlet angle, above 0.8 at -42 deg."""
    ratios = []
    for angle in (15.0, -42.0):
        g = replace(Geometry(), stator_inlet_tan=tan(radians(angle)))
        ratios.append(characteristic(g, [0.0], "free").capacity[0] / characteristic(g, [0.0]).capacity[0])
    assert ratios[0] == pytest.approx(0.55, abs=0.03)
    assert 0.8 < ratios[1] < 0.92


def test_fluid_coupling_wastes_more_than_the_converter_where_the_converter_multiplies() -> None:
    """Efficiency = SR x TR (SAE J643): of a coupling it is SR itself."""
    working, none = characteristic(Geometry(), SR), characteristic(Geometry(), SR, "none")
    low = (SR > 0.05) & (SR < 0.85)
    np.testing.assert_allclose((SR * none.torque_ratio)[low], SR[low], rtol=1e-9)
    assert np.all((SR * working.torque_ratio)[low] > SR[low] + 0.03)
    assert np.all(SR * working.torque_ratio <= 1.0)


def test_clutch_lets_go_once_and_without_a_step() -> None:
    p = operating_point(Geometry(), 100.0, 100.0 * np.linspace(0.0, 0.95, 2001))
    turning = p.stator_rad_s != 0.0
    first = int(np.argmax(turning))
    assert np.all(turning[first:]) and not np.any(turning[:first])
    assert abs(p.stator_rad_s[first]) < 1.0
    assert np.max(np.abs(np.diff(p.pump_nm))) < 0.002 * p.pump_nm[0]


def test_seized_stator_holds_back_past_coupling() -> None:
    working, held = characteristic(Geometry(), SR), characteristic(Geometry(), SR, "held")
    before = SR < 0.9
    np.testing.assert_allclose(held.torque_ratio[before], working.torque_ratio[before])
    assert np.all(np.diff(held.torque_ratio) < 0.0)
    assert held.torque_ratio[-1] < 0.9


def test_overrunning_turbine_drives_the_pump() -> None:
    p = operating_point(Geometry(), 100.0, np.array([130.0, 180.0, 250.0]))
    assert np.all(p.pump_nm < 0.0) and np.all(p.turbine_nm > 0.0) and np.all(p.flow_m3_s < 0.0)
    assert np.all(np.diff(p.turbine_nm) > 0.0)


def test_capacity_and_ratio_do_not_depend_on_speed() -> None:
    """K and TR are functions of SR only (SAE J643 plots them so)."""
    for pump in (60.0, 600.0):
        p = operating_point(Geometry(), pump, 0.4 * pump)
        rpm = pump * 30.0 / pi
        assert rpm / p.pump_nm**0.5 == pytest.approx(characteristic(Geometry(), [0.4]).capacity[0], rel=1e-9)


def test_overrun_torque_is_of_the_published_size() -> None:
    """Pump torque over stall torque at one pump speed: JRC co2mpas 4.3.7 default converter (EUPL)."""
    published = {
        1.571: -0.535,
        1.833: -0.828,
        2.2: -1.306,
        2.5: -1.781,
        3.0: -2.772,
        3.5: -4.071,
        4.0: -5.746,
    }
    stall = operating_point(Geometry(), 100.0, 0.0).pump_nm
    for ratio, share in published.items():
        pump = operating_point(Geometry(), 100.0, 100.0 * ratio).pump_nm
        assert pump / stall == pytest.approx(share, rel=0.25)
