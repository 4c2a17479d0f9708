"""Every nuisance against a vehicle that is so much off its file: known, it must explain what is seen.

The vehicle is driven by its physics, written out here once more; the looks have the numbers of the file. A
regressor of the wrong sign or size leaves the look unexplained.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from math import exp, log, sqrt
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import VEHICLE  # it lies beside this file

from livemon.arrays import Array
from livemon.converter.curves import at
from livemon.diagnose.hypotheses import hypotheses
from livemon.diagnose.looks import FRICTION_SHARE, Look, Looks, k_knee
from livemon.diagnose.nuisance import SIZE, State, prior
from livemon.diagnose.slip_look import SlipLooks
from livemon.diagnose.windows import Window
from livemon.quantities import AIR_DENSITY_KG_M3, RPM_TO_RAD_S, STANDARD_GRAVITY_M_S2
from livemon.records import Regime
from livemon.vehicle import GEARBOX_KG_M2, ROTATING_SHARE, curves_of

CURVES, ROWS = curves_of(VEHICLE), hypotheses()
PRIOR = prior(VEHICLE, CURVES)
PER_M = 1.56 * 3.4 / 0.316  # rad of the turbine per metre, third gear
OFF = {  # how far the vehicle is off its file
    State.MASS: 0.08,
    State.ROLLING: 0.003,
    State.AERO: 0.2,
    State.LINE: 0.04,
    State.GAIN: 0.06,
    State.OFFSET: 8.0,
    State.TR: 0.06,
    State.TR_KNEE: 0.05,
    State.TR_PAST: 0.02,
    State.WIND: 2.0,
    State.LATE: 0.1,
    State.GRADE: 0.015,
    State.SLOPE: 0.005,
    State.INERTIA: 0.08,
    State.GEARBOX: 0.03,
}
OF_K = (State.K_SCALE, State.K_TILT, State.K_KNEE, State.TYRE, State.GAIN, State.OFFSET, State.INERTIA)


def torque_made(off: dict[State, float], told_nm: float, rpm_s: float) -> float:
    """At the pump [N m], of what the signal tells: a share of indicated torque, some N m, and the inertia."""
    friction = FRICTION_SHARE * PRIOR.torque_nm
    turning = off.get(State.INERTIA, 0.0) * RPM_TO_RAD_S * rpm_s
    return (
        told_nm + (exp(off.get(State.GAIN, 0.0)) - 1.0) * (told_nm + friction)
        + off.get(State.OFFSET, 0.0) - turning
    )  # fmt: skip


def seen(regime: Regime, told_nm: float, ratio: float, rpm: float, rpm_s: float) -> Window:
    """What the vehicle tells, in third gear; road and acceleration are filled in by `driven`."""
    return Window(
        start_s=0.0, end_s=1.0, regime=regime, gear=3, samples=20, into_stretch_s=1.0, engine_rpm=rpm,
        engine_accel_rpm_s=rpm_s, locked_probability=float(regime == "locked"), gear_probability=0.99,
        turbine_rpm=ratio * rpm, turbine_source="ratios", geared_rpm=None,
        geared_sd_rpm=0.0, speed_ratio=ratio, speed_ratio_sd=0.002,
        found_rpm=None,
        slip_rpm=(1.0 - ratio) * rpm, slip_sd_rpm=5.0, engine_torque_nm=told_nm,
        pump_torque_nm=told_nm, pump_torque_sd_nm=1.0, pump_torque_unsure_nm=0.0, torque_source="reported",
        road_speed_m_s=25.0, road_accel_m_s2=0.0, road_accel_sd_m_s2=0.05, road_accel_unsure_m_s2=0.0,
        road_jerk_m_s3=0.3, turbine_rad_per_m=PER_M, pedal_pct=30.0, brake=False, clutch_applied=None,
        hands_over=False,
    )  # fmt: skip


def driven(w: Window, off: dict[State, float]) -> Window:
    """With the acceleration that a vehicle so far off its file shows."""
    assert w.pump_torque_nm is not None and w.road_speed_m_s is not None
    pump = torque_made(off, w.pump_torque_nm, w.engine_accel_rpm_s)
    tr = 1.0
    if w.regime != "locked" and w.speed_ratio is not None:
        ratio = w.speed_ratio
        tr = at(CURVES.tr, ratio)
        fades = log(tr) / log(CURVES.tr[0])
        knee = min(max((ratio - 0.7) / 0.15, 0.0), 1.0) * off.get(State.TR_KNEE, 0.0)
        past = min(max((ratio - 0.85) / 0.07, 0.0), 1.0) * off.get(State.TR_PAST, 0.0)
        tr *= exp(fades * off.get(State.TR, 0.0) + knee + past)
    efficiency = VEHICLE.efficiency.value * exp(off.get(State.LINE, 0.0))
    tractive = pump * tr * PER_M * (efficiency if w.pump_torque_nm > 0.0 else 1.0 / efficiency)
    mass = VEHICLE.mass_kg.value * exp(off.get(State.MASS, 0.0))
    air = 0.5 * AIR_DENSITY_KG_M3 * VEHICLE.drag_area_m2.value * exp(off.get(State.AERO, 0.0))
    held_back = air * (w.road_speed_m_s + off.get(State.WIND, 0.0)) ** 2
    slope = VEHICLE.rolling_resistance.value + off.get(State.ROLLING, 0.0)
    slope += off.get(State.GRADE, 0.0) + off.get(State.SLOPE, 0.0)
    turning = ROTATING_SHARE + GEARBOX_KG_M2.value * PER_M**2 / VEHICLE.mass_kg.value
    turning += off.get(State.GEARBOX, 0.0) * PER_M**2 / VEHICLE.mass_kg.value
    accel = ((tractive - held_back) / mass - STANDARD_GRAVITY_M_S2 * slope) / (1.0 + turning)
    return replace(w, road_accel_m_s2=accel - off.get(State.LATE, 0.0) * w.road_jerk_m_s3)


def left(look: Look | None, off: dict[State, float]) -> tuple[float, float]:
    """What of the look a row of a sound vehicle does not explain that believes `off`; what its regressors
    make of `off`."""
    assert look is not None
    told = float(look.h[0] @ means(off)[0])
    return float(look.seen[0]) - told, told


def means(off: dict[State, float]) -> Array:
    x: Array = np.zeros((len(ROWS), SIZE))
    for state, value in off.items():
        x[:, state] = value
    return x


FORCES = [
    (state, regime)
    for state in OFF
    for regime in ("pull", "locked", "overrun")
    if regime == "pull" or not state.name.startswith("TR")  # a clutch that is on passes on what comes
    if regime != "overrun" or state is not State.GAIN  # nothing burns: a share of nothing
]


@pytest.mark.parametrize(("state", "regime"), FORCES, ids=lambda x: getattr(x, "name", x))
def test_force(state: State, regime: str) -> None:
    open_clutch = regime == "pull"
    ratio = (0.6 if state is State.TR else 0.88) if open_clutch else 0.995
    rpm = 25.0 * PER_M / RPM_TO_RAD_S / ratio
    told_nm = -30.0 if regime == "overrun" else 120.0
    w = seen("pull" if open_clutch else "locked", told_nm, ratio, rpm, 250.0)
    looks = Looks(VEHICLE, CURVES, PRIOR, ROWS)
    off = {state: OFF[state]}
    sound, _ = left(looks.make(driven(w, {}), means({}), False)[1], {})
    assert sound == pytest.approx(0.0, abs=1e-9)
    unexplained, _ = left(looks.make(driven(w, off), means(off), False)[1], off)
    still, told = left(looks.make(driven(w, off), means({}), False)[1], off)  # by the line from nothing
    assert abs(told) > 2e-4
    assert abs(unexplained) < 0.15 * abs(told)
    assert abs(still) < 0.35 * abs(told)


@pytest.mark.parametrize("state", OF_K, ids=lambda s: s.name)
@pytest.mark.parametrize("ratio", [0.75, 0.88])
def test_capacity(state: State, ratio: float) -> None:
    value = {State.K_SCALE: 0.05, State.K_TILT: 0.05, State.K_KNEE: 0.05, State.TYRE: 0.02}.get(state, 0.0)
    off = {state: value or OFF[state]}
    made = torque_made(off, 120.0, 400.0)
    ln_k = log(at(CURVES.k, ratio * (1.0 + off.get(State.TYRE, 0.0)))) + off.get(State.K_SCALE, 0.0)
    ln_k += ratio * off.get(State.K_TILT, 0.0) + k_knee(ratio) * off.get(State.K_KNEE, 0.0)
    w = seen("pull", 120.0, ratio, exp(ln_k) * sqrt(made), 400.0)
    looks = Looks(VEHICLE, CURVES, PRIOR, ROWS)
    unexplained, told = left(looks.make(w, means(off), False)[0], off)
    assert abs(told) > 1e-3
    assert abs(unexplained) < 0.15 * abs(told)


PAST = (*OF_K, State.K_NEAR, State.GAIN_WANDER, State.K_WANDER)


@pytest.mark.parametrize("state", PAST, ids=lambda s: s.name)
def test_speed_ratio_past_coupling(state: State) -> None:
    """Turned round: at which speed ratio the fluid carries what comes, and what its regressor says of it."""
    value = {State.TYRE: 0.01, State.GAIN: 0.1, State.OFFSET: 12.0, State.INERTIA: 0.2}.get(state, 0.06)
    off = {state: value}
    true_ratio, told_nm, rpm_s = 0.95, 120.0, 400.0
    ratio = true_ratio / (1.0 + off.get(State.TYRE, 0.0))
    made = torque_made({State.GAIN: value} if state is State.GAIN_WANDER else off, told_nm, rpm_s)
    ln_k = log(at(CURVES.k, true_ratio)) + off.get(State.K_SCALE, 0.0) + off.get(State.K_WANDER, 0.0)
    ln_k += ratio * off.get(State.K_TILT, 0.0) + k_knee(ratio) * off.get(State.K_KNEE, 0.0)
    ln_k += (ratio - 0.9) / 0.07 * off.get(State.K_NEAR, 0.0)
    w = replace(seen("pull", told_nm, ratio, exp(ln_k) * sqrt(made), rpm_s), gear=2)
    looks = SlipLooks(CURVES, PRIOR, ROWS)
    assert looks.takes(w, released=False)
    unknown, known = looks.look(w, means({})), looks.look(w, means(off))
    assert abs(unknown.off[0]) > 1e-3
    assert abs(known.off[0]) < 0.15 * abs(unknown.off[0])
    assert float(unknown.h[0, state]) * value == pytest.approx(float(unknown.off[0]), rel=0.35)
