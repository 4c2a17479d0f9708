"""The simulated converter: mean-path torques of one drawn geometry, tabulated for a fast look-up.

Euler moments along one streamline after Hrovat & Tobler (1985), solved at unit pump speed: with the
stator speed a straight line in the flow velocity, the energy balance is a quadratic in that velocity.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, sqrt, tan
from typing import Literal

Stator = Literal["working", "lost", "seized"]
STEPS = 200  # per unit of speed ratio
TOP = 260  # tabulated to speed ratio 1.3: only a seized stator still takes torque past 1


@dataclass(frozen=True, slots=True)
class Geometry:
    """Mean streamline of one converter. Radii and area in metres, angles in degrees from the axial plane."""

    area_m2: float = 0.0097
    pump_radius_m: float = 0.110
    turbine_radius_m: float = 0.066
    stator_radius_m: float = 0.060
    pump_exit_deg: float = 18.01
    turbine_exit_deg: float = -59.04
    stator_exit_deg: float = 59.54
    pump_inlet_deg: float = -30.0
    turbine_inlet_deg: float = 55.0
    stator_inlet_deg: float = 0.0
    shock: float = 1.0
    friction: float = 0.25
    density_kg_m3: float = 840.0


@dataclass(frozen=True, slots=True)
class ConverterTruth:
    """One converter: its wheel, its size, and how it departs from a single mean streamline.

    Published converters depart by several percent: `tilt` and `bump` change pump torque with speed ratio,
    `sag` is what torque multiplication lacks half-way, `fade` the stretch below speed ratio 1 over which the
    torque dies away faster than the mean streamline says, `overrun` the stiffness, in stall capacities,
    with the turbine driving the pump.
    """

    geometry: Geometry
    scale: float  # every torque, over the geometry's own
    tilt: float = 0.0
    bump: float = 0.0
    sag: float = 0.0
    fade: float = 0.06
    overrun: float = 2.5

    def bend(self, sr: float) -> float:
        left = (1.0 - sr) / self.fade
        dying = 1.0 if left > 1.0 or sr >= 1.0 else left
        return (1.0 + self.tilt * (sr - 0.3) + self.bump * 4.0 * sr * (1.0 - sr)) * dying


@dataclass(frozen=True, slots=True)
class Table:
    """capacity: pump torque / pump speed^2 [N m s^2/rad^2]; ratio: turbine torque / pump torque; by SR."""

    capacity: tuple[float, ...]
    ratio: tuple[float, ...]
    coupling_speed_ratio: float


def _torques(g: Geometry, sr: float, stator_0: float, stator_1: float) -> tuple[float, float, float]:
    """Pump, turbine and stator torque at unit pump speed; stator speed = stator_0 + stator_1 * flow."""
    rp, rt, rs = g.pump_radius_m, g.turbine_radius_m, g.stator_radius_m
    tp, tt, ts = (tan(radians(x)) for x in (g.pump_exit_deg, g.turbine_exit_deg, g.stator_exit_deg))
    ip, it, is_ = (tan(radians(x)) for x in (g.pump_inlet_deg, g.turbine_inlet_deg, g.stator_inlet_deg))
    vp, vt, vs = (rp, tp), (rt * sr, tt), (rs * stator_0, ts + rs * stator_1)  # swirl: (constant, per flow)
    # power given to the fluid minus losses = c0 + c1 a + c2 a^2 = 0
    c = [0.0, 0.0, 0.0]

    def add(weight: float, x: tuple[float, float], y: tuple[float, float]) -> None:
        c[0] += weight * x[0] * y[0]
        c[1] += weight * (x[0] * y[1] + x[1] * y[0])
        c[2] += weight * x[1] * y[1]

    moment_p = (rp * vp[0] - rs * vs[0], rp * vp[1] - rs * vs[1])
    moment_t = (rt * vt[0] - rp * vp[0], rt * vt[1] - rp * vp[1])
    moment_s = (rs * vs[0] - rt * vt[0], rs * vs[1] - rt * vt[1])
    add(1.0, moment_p, (1.0, 0.0))
    add(1.0, moment_t, (sr, 0.0))
    add(1.0, moment_s, (stator_0, stator_1))
    for arriving, wheel in (
        (vs, (rs, ip)),
        (vp, (rp * sr, it)),
        (vt, (rt * stator_0, is_ + rt * stator_1)),
    ):
        miss = (arriving[0] - wheel[0], arriving[1] - wheel[1])
        add(-0.5 * g.shock, miss, miss)
    c[2] -= 0.5 * g.friction * sum(1.0 + x * x for x in (tp, tt, ts))
    inside = c[1] * c[1] - 4.0 * c[2] * c[0]
    a = 0.0 if inside < 0.0 else max(0.0, (-c[1] - sqrt(inside)) / (2.0 * c[2]))
    mass_flow = g.density_kg_m3 * g.area_m2 * a

    def torque(m: tuple[float, float]) -> float:
        return mass_flow * (m[0] + m[1] * a)

    return torque(moment_p), -torque(moment_t), torque(moment_s)


def operating_point(g: Geometry, sr: float, stator: Stator, grip: float = 1.0) -> tuple[float, float]:
    """Pump torque per squared pump speed, and torque ratio, at one speed ratio from 0.

    grip: the share of the working stator's reaction that the one-way clutch can carry (1 sound, 0 none).
    """
    held = _torques(g, sr, 0.0, 0.0)
    if stator == "seized" or (stator == "working" and grip >= 1.0 and held[2] >= 0.0):
        pump, turbine, _ = held
    else:
        rt, rs = g.turbine_radius_m, g.stator_radius_m
        slope = (rt * tan(radians(g.turbine_exit_deg)) - rs * tan(radians(g.stator_exit_deg))) / rs**2
        pump, turbine, _ = _torques(g, sr, rt * rt * sr / rs**2, slope)
        if stator == "working" and held[2] > 0.0 and grip > 0.0:
            pump, turbine = _dragged(g, sr, grip * held[2])
    return pump, (turbine / pump if pump > 1e-12 else 1.0)


def _dragged(g: Geometry, sr: float, stator_torque: float) -> tuple[float, float]:
    """Stator slipping backwards against a one-way clutch that carries only `stator_torque`."""
    slow, fast = 0.0, -3.0
    for _ in range(40):
        middle = 0.5 * (slow + fast)
        if _torques(g, sr, middle, 0.0)[2] > stator_torque:
            slow = middle
        else:
            fast = middle
    pump, turbine, _ = _torques(g, sr, slow, 0.0)
    return pump, turbine


def table(c: ConverterTruth, stator: Stator, grip: float = 1.0) -> Table:
    """Tabulate one converter with its stator in one state."""
    capacity, ratio, coupling = [], [], 1.0
    for i in range(TOP + 1):
        sr = i / STEPS
        pump, tr = (
            operating_point(c.geometry, sr, stator, grip) if sr < 1.0 or stator == "seized" else (0.0, 1.0)
        )
        bend = c.bend(
            min(sr, 1.0 - c.fade) if stator == "seized" else sr
        )  # a held stator always takes torque
        capacity.append(pump * c.scale * bend)
        if tr > 1.0 + 1e-6:
            tr = 1.0 + (tr - 1.0) * (1.0 - c.sag * 4.0 * sr * (1.0 - sr))
        ratio.append(tr)
        if tr <= 1.0 + 1e-6 and coupling == 1.0:
            coupling = sr
    return Table(tuple(capacity), tuple(ratio), coupling)
