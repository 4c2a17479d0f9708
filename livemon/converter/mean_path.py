"""The mean-path model: Euler's moments along one streamline through pump, turbine and stator.

One streamline stands for the whole flow. Its axial speed is a = Q / A. What each wheel does to the swirl
gives the torques, and one energy balance fixes the flow [hrovat-tobler]:

    swirl leaving a wheel    V = R w + a tan(exit angle)
    torque on the fluid      T = rho Q (R V leaving - R V arriving)
    T_p w_p + T_t w_t + T_s w_s = rho Q / 2 (C_shock sum(arriving swirl - (R w + a tan(inlet angle)))^2
                                             + f sum a^2 (1 + tan^2(exit angle)))

Every speed in it is linear in `a` and so, when it is free, is the stator's, so the balance divided by rho Q
is a quadratic in `a` with one root that flows the right way: no iteration, any number of points at once.
When the turbine overruns the pump the flow turns round, the wheels swap roles and the same equations hold;
with the stator held it turns round only some hundredths later, and until then the pump takes torque.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from livemon.arrays import Array

Stator = Literal["working", "free", "held", "none"]


@dataclass(frozen=True, slots=True)
class Geometry:
    """Wheels in flow order pump, turbine, stator. Any field may be an array that broadcasts with the speeds.

    The defaults are a passenger-car size converter, from memory after [hrovat-tobler]: a check of form only.
    Angles are from the axial direction, positive in the sense of rotation; `*_tan` are their tangents.
    Valid: area, radii, density > 0; shock >= 0; friction > 0.
    """

    pump_radius_m: ArrayLike = 0.110  # where the flow leaves each wheel
    turbine_radius_m: ArrayLike = 0.066
    stator_radius_m: ArrayLike = 0.060
    pump_exit_tan: ArrayLike = 0.3252  # 18.01 deg
    turbine_exit_tan: ArrayLike = -1.6668  # -59.04 deg
    stator_exit_tan: ArrayLike = 1.7004  # 59.54 deg
    pump_inlet_tan: ArrayLike = -0.5774  # -30 deg
    turbine_inlet_tan: ArrayLike = 1.4281  # 55 deg
    stator_inlet_tan: ArrayLike = 0.0
    shock: ArrayLike = 1.0
    friction: ArrayLike = 0.25
    area_m2: ArrayLike = 0.0097
    density_kg_m3: ArrayLike = 840.0

    def reversed(self) -> Geometry:
        """The same converter with the flow turned round: the turbine pumps and the pump is driven."""
        minus = np.negative
        return replace(
            self,
            pump_radius_m=self.pump_radius_m,
            turbine_radius_m=self.stator_radius_m,
            stator_radius_m=self.turbine_radius_m,
            pump_exit_tan=minus(self.turbine_inlet_tan),
            turbine_exit_tan=minus(self.pump_inlet_tan),
            stator_exit_tan=minus(self.stator_inlet_tan),
            pump_inlet_tan=minus(self.turbine_exit_tan),
            turbine_inlet_tan=minus(self.pump_exit_tan),
            stator_inlet_tan=minus(self.stator_exit_tan),
        )


class OperatingPoint(NamedTuple):
    """What the converter does at given speeds. Torques act on the fluid; their sum is zero.

    A turbine that drives the gearbox has turbine_nm < 0; torque ratio = -turbine_nm / pump_nm.
    """

    flow_m3_s: Array  # from pump to turbine; negative when the turbine overruns
    pump_nm: Array
    turbine_nm: Array
    stator_nm: Array  # what the one-way clutch carries; 0 when the stator is free
    stator_rad_s: Array
    shock_w: Array
    friction_w: Array

    @property
    def torque_ratio(self) -> Array:
        """Turbine over pump torque [SAE J643]; 1 where no torque flows."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.pump_nm == 0.0, 1.0, -self.turbine_nm / self.pump_nm)


def operating_point(
    geometry: Geometry, pump_rad_s: ArrayLike, turbine_rad_s: ArrayLike, stator: Stator = "working"
) -> OperatingPoint:
    """Solve the flow at each pair of speeds [rad/s], both >= 0 and not both 0 for a meaningful answer.

    working: held by its one-way clutch while the fluid pushes it backwards, else turning.
    free: turns at every speed ratio, so the torque ratio is 1. held: seized. none: the old fluid coupling.
    Source: [hrovat-tobler], quasi-steady part.
    """
    pump, turbine = np.broadcast_arrays(np.asarray(pump_rad_s, float), np.asarray(turbine_rad_s, float))
    ahead = _one_way(geometry, pump, turbine, stator)
    if not np.any(turbine > pump):
        return ahead
    back = _one_way(geometry.reversed(), turbine, pump, stator)
    back = back._replace(flow_m3_s=-back.flow_m3_s, pump_nm=back.turbine_nm, turbine_nm=back.pump_nm)
    # a held stator keeps the flow going past equal speeds while the pump is driven; nothing else could
    overrun = (turbine > pump) & ((ahead.flow_m3_s <= 0.0) | (ahead.pump_nm <= 0.0))
    return OperatingPoint(*(np.where(overrun, b, a) for a, b in zip(ahead, back, strict=True)))


def _one_way(g: Geometry, pump: Array, turbine: Array, stator: Stator) -> OperatingPoint:
    if stator != "working":
        return _solve(g, pump, turbine, stator)
    held = _solve(g, pump, turbine, "held")
    if np.all(held.stator_nm >= 0.0):
        return held
    free = _solve(g, pump, turbine, "free")
    return OperatingPoint(*(np.where(held.stator_nm >= 0.0, h, f) for h, f in zip(held, free, strict=True)))


def _solve(g: Geometry, pump: Array, turbine: Array, stator: Stator) -> OperatingPoint:
    """Flow ahead, stator state known. Each quantity linear in a is the pair (at a = 0, per unit of a)."""
    r_p, r_t, r_s = (np.asarray(r, float) for r in (g.pump_radius_m, g.turbine_radius_m, g.stator_radius_m))
    tan_p, tan_t, tan_s = (
        np.asarray(t, float) for t in (g.pump_exit_tan, g.turbine_exit_tan, g.stator_exit_tan)
    )
    # moments R V of the flow leaving each wheel
    p0, p1 = r_p**2 * pump, r_p * tan_p
    t0, t1 = r_t**2 * turbine, r_t * tan_t
    if stator == "held":
        s0, s1, w0, w1 = 0.0 * t0, r_s * tan_s, 0.0 * t0, 0.0 * t1
    else:  # no stator torque: the turbine's swirl arrives at the pump unchanged in moment
        s0, s1 = t0, t1
        w0, w1 = t0 / r_s**2, (t1 - r_s * tan_s) / r_s**2
    # arriving swirl less the swirl the blades would take without shock
    shocks = [
        (s0 / r_s - r_s * pump, s1 / r_s - np.asarray(g.pump_inlet_tan)),
        (p0 / r_p - r_p * turbine, p1 / r_p - np.asarray(g.turbine_inlet_tan)),
        (t0 / r_t - r_t * w0, t1 / r_t - r_t * w1 - np.asarray(g.stator_inlet_tan)),
    ]
    walls = 3.0 + tan_p**2 + tan_t**2 + tan_s**2
    if stator == "none":
        shocks, walls = shocks[:2], 2.0 + tan_p**2 + tan_t**2
        w0, w1 = 0.0 * t0, 0.0 * t1
    half_shock, half_friction = 0.5 * np.asarray(g.shock), 0.5 * np.asarray(g.friction) * walls
    # T_s w_s is zero in every case, so only pump and turbine do work
    c2 = half_shock * sum(d * d for _, d in shocks) + half_friction
    c1 = 2.0 * half_shock * sum(c * d for c, d in shocks) - (pump * (p1 - s1) + turbine * (t1 - p1))
    c0 = half_shock * sum(c * c for c, _ in shocks) - (pump * (p0 - s0) + turbine * (t0 - p0))
    root = np.sqrt(np.maximum(c1 * c1 - 4.0 * c2 * c0, 0.0))
    a = np.where(c1 * c1 >= 4.0 * c2 * c0, np.maximum(root - c1, 0.0) / (2.0 * c2), 0.0)
    mass_flow = np.asarray(g.density_kg_m3) * np.asarray(g.area_m2) * a
    leaving_p, leaving_t, leaving_s = p0 + p1 * a, t0 + t1 * a, s0 + s1 * a
    return OperatingPoint(
        np.asarray(g.area_m2) * a,
        mass_flow * (leaving_p - leaving_s),
        mass_flow * (leaving_t - leaving_p),
        mass_flow * (leaving_s - leaving_t),
        w0 + w1 * a,
        mass_flow * half_shock * sum((c + d * a) ** 2 for c, d in shocks),
        mass_flow * half_friction * a * a,
    )


class Characteristic(NamedTuple):
    """One state of one converter over speed ratio, free of size: all that road and engine feel."""

    capacity: Array  # K [rpm/sqrt(N m)]; inf where the pump takes no torque
    torque_ratio: Array


def characteristic(geometry: Geometry, speed_ratio: ArrayLike, stator: Stator = "working") -> Characteristic:
    """K and torque ratio over speed ratio >= 0; the pump turns 1 rad/s, as both depend on the ratio only."""
    point = operating_point(geometry, 1.0, speed_ratio, stator)
    with np.errstate(divide="ignore"):
        capacity = 30.0 / pi / np.sqrt(np.maximum(point.pump_nm, 0.0))
    return Characteristic(capacity, point.torque_ratio)
