"""The simulated engine: full-load curve, pedal map, torque lag, idle governor, overrun cut, misfire."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import exp, pi, sin, sqrt
from random import Random
from typing import Literal

Aspiration = Literal["petrol", "petrol_turbo", "diesel_turbo"]
PedalMap = Literal["torque_share", "throttle", "power_like"]
Lag = Literal["first_order", "two_stage", "rate_limit", "dead_time"]

# Share of peak net torque by share of rated speed; shapes are common practice, no source.
SHAPES: dict[str, tuple[tuple[float, float], ...]] = {
    "petrol": (
        (0.0, 0.55), (0.15, 0.70), (0.3, 0.86), (0.5, 0.96),
        (0.65, 1.0), (0.8, 0.97), (1.0, 0.83), (1.1, 0.6),
    ),
    "petrol_turbo": (
        (0.0, 0.45), (0.13, 0.52), (0.2, 0.74), (0.28, 0.97), (0.35, 1.0),
        (0.7, 1.0), (0.85, 0.86), (1.0, 0.7), (1.1, 0.5),
    ),
    "diesel_turbo": (
        (0.0, 0.4), (0.2, 0.46), (0.3, 0.7), (0.4, 0.96), (0.46, 1.0),
        (0.65, 0.98), (0.8, 0.84), (0.95, 0.66), (1.05, 0.3),
    ),
}  # fmt: skip
GRID_RPM = 50.0


@dataclass(frozen=True, slots=True)
class EngineTruth:
    """One engine. Torques in N m at the flywheel unless called indicated; lags in seconds."""

    aspiration: Aspiration
    displacement_l: float
    cylinders: int
    peak_torque_nm: float  # net, full pedal, at sea level
    rated_rpm: float
    idle_rpm: float
    inertia_kg_m2: float  # engine, flexplate, pump and the fluid that goes with it
    shape_bend: float = 0.0  # tilts the full-load curve
    pedal_map: PedalMap = "torque_share"
    pedal_exponent: float = 1.0
    lag: Lag = "first_order"
    lag_s: float = 0.1
    boost_lag_s: float = 0.6
    air_share: float = 1.0  # barometric density over sea level
    accessory_nm: float = 6.0
    accessory_extra_nm: float = 8.0  # air conditioning and alternator, coming and going
    cut_rpm: float = 1300.0  # fuel cut when the pedal is up above this

    def full_load_nm(self, rpm: float) -> float:
        """Net full-pedal torque at this altitude, boost up [N m]."""
        shape = SHAPES[self.aspiration]
        x = min(max(rpm / self.rated_rpm, 0.0), shape[-1][0])
        value = shape[-1][1]
        for (x0, y0), (x1, y1) in pairwise(shape):
            if x <= x1:
                value = y0 + (y1 - y0) * (x - x0) / (x1 - x0)
                break
        share = self.air_share if self.aspiration == "petrol" else 0.6 * self.air_share + 0.4
        return self.peak_torque_nm * value * (1.0 + self.shape_bend * (x - 0.5)) * share

    def friction_nm(self, rpm: float) -> float:
        """Rubbing and pumping [N m]: mean effective pressure from about 1 bar up with speed (from memory)."""
        bar = (
            (1.15 if self.aspiration == "diesel_turbo" else 0.95)
            + 0.16 * rpm / 1000.0
            + 0.02 * (rpm / 1000.0) ** 2
        )
        return bar * 1e5 * self.displacement_l * 1e-3 / (4.0 * pi)


@dataclass(frozen=True, slots=True)
class EngineFault:
    """What is wrong with the engine. Shares of one; 1 means sound."""

    burn_share: float = 1.0  # torque made of the torque the control unit works out from its air and fuel
    air_share: float = 1.0  # air (or boost, or fuel) that gets in of what should
    misfire_share: float = 0.0  # of the time; one cylinder then makes nothing


class Engine:
    """State of one engine. `indicated_nm` is what the control unit believes the cylinders make."""

    def __init__(self, truth: EngineTruth, fault: EngineFault, rng: Random, dt_s: float) -> None:
        self.truth, self.fault, self._rng, self._dt = truth, fault, rng, dt_s
        rows = int(truth.rated_rpm * 1.2 / GRID_RPM) + 2
        base = "petrol" if truth.aspiration == "petrol" else truth.aspiration
        self._friction = [truth.friction_nm(i * GRID_RPM) for i in range(rows + 1)]
        self._full = [truth.full_load_nm(i * GRID_RPM) * fault.air_share for i in range(rows + 1)]
        self._rows = rows
        self._unboosted = 1.0 if base == "petrol" else 0.55
        self._boost = 0.0
        self._late: list[float] = [0.0] * max(1, int(0.4 * truth.lag_s / dt_s))
        self._late_at = 0
        self._inner = 0.0
        self._governor = self._friction[int(truth.idle_rpm / GRID_RPM)] + truth.accessory_nm
        self.indicated_nm = self._governor
        self.demand_nm = self._governor  # indicated torque the driver asks for
        self.friction_now_nm = self._governor
        self.full_now_nm = truth.peak_torque_nm
        self.net_nm = 0.0
        self._extra = 0.0
        self._extra_on = False
        self._misfiring = False
        self._angle = 0.0
        self._cut = False
        self._next_event_s = 0.0

    @property
    def accessory_nm(self) -> float:
        return self.truth.accessory_nm + self._extra

    def step(self, rpm: float, pedal: float, time_s: float) -> float:
        """Torque handed to the pump [N m] over the next step: net of friction and accessories."""
        t, dt = self.truth, self._dt
        x = rpm / GRID_RPM
        i = int(x)
        if i >= self._rows:
            i, x = self._rows - 1, float(self._rows - 1)
        f = x - i
        friction = self._friction[i] + f * (self._friction[i + 1] - self._friction[i])
        full = self._full[i] + f * (self._full[i + 1] - self._full[i])
        if time_s >= self._next_event_s:
            self._events(time_s)
        # what the driver asks for
        if pedal <= 0.0:
            share = 0.0
        else:
            share = float(pedal**t.pedal_exponent)
            if t.pedal_map == "throttle":
                share = (1.0 - exp(-3.2 * share * t.rated_rpm / (rpm + 400.0) * 0.5)) / (1.0 - exp(-1.6))
            elif t.pedal_map == "power_like":
                share *= 1.5 - 0.5 * rpm / t.rated_rpm
            if share > 1.0:
                share = 1.0
        near_idle = 1.0 - (rpm - t.idle_rpm) / 3000.0
        base = (friction + t.accessory_nm) * (
            1.0 if near_idle > 1.0 else near_idle if near_idle > 0.25 else 0.25
        )
        demand = base + share * (full + friction - base) if share > 0.0 else 0.0
        # idle governor
        error = t.idle_rpm - rpm
        if error > -250.0 and pedal <= 0.02:
            self._governor += 0.25 * error * dt
            if self._governor > 0.6 * full:
                self._governor = 0.6 * full
            elif self._governor < 2.0:
                self._governor = 2.0
            hold = self._governor + 0.12 * error
            if demand < hold:
                demand = hold
        elif error > 0.0:
            hold = self._governor + 0.12 * error
            if demand < hold:
                demand = hold
        if self._cut:
            if pedal > 0.0 or rpm < t.cut_rpm - 150.0:
                self._cut = False
        elif pedal <= 0.0 and rpm > t.cut_rpm:
            self._cut = True
        if self._cut:
            demand = 0.0
        elif pedal > 0.0 and demand < 0.4 * friction:
            demand = 0.4 * friction
        if rpm > t.rated_rpm * 1.07:
            demand = 0.0
        if demand < 0.0:
            demand = 0.0
        # how fast it comes
        self._boost += (
            (share - self._boost) * dt / (t.boost_lag_s * (0.35 + 0.65 * t.rated_rpm * 0.4 / (rpm + 300.0)))
        )
        room = (full + friction) * (self._unboosted + (1.0 - self._unboosted) * self._boost)
        target = demand if demand < room else room
        if t.lag == "first_order":
            self.indicated_nm += (target - self.indicated_nm) * dt / (t.lag_s + dt)
        elif t.lag == "two_stage":
            self._inner += (target - self._inner) * dt / (0.5 * t.lag_s + dt)
            self.indicated_nm += (self._inner - self.indicated_nm) * dt / (0.5 * t.lag_s + dt)
        elif t.lag == "rate_limit":
            most = t.peak_torque_nm * dt / (2.5 * t.lag_s)
            step = target - self.indicated_nm
            self.indicated_nm += most if step > most else -2.0 * most if step < -2.0 * most else step
        else:
            late = self._late
            late[self._late_at], target = target, late[self._late_at]
            self._late_at = (self._late_at + 1) % len(late)
            self.indicated_nm += (target - self.indicated_nm) * dt / (0.6 * t.lag_s + dt)
        self.demand_nm, self.friction_now_nm, self.full_now_nm = demand, friction, full
        made = self.indicated_nm * self.fault.burn_share
        if self._misfiring:
            self._angle += rpm / 120.0 * dt  # one event in two turns
            made *= 1.0 + 2.2 / t.cylinders * (sin(2.0 * pi * self._angle) - 0.35)
        self.net_nm = made - friction
        return self.net_nm - t.accessory_nm - self._extra

    def _events(self, time_s: float) -> None:
        """Slow things, a few times a minute: accessories come and go, a cylinder drops out for a while."""
        self._next_event_s = time_s + self._rng.uniform(2.0, 9.0)
        if self._rng.random() < 0.3:
            self._extra_on = not self._extra_on
        self._extra = self.truth.accessory_extra_nm * self._rng.uniform(0.7, 1.0) if self._extra_on else 0.0
        self._misfiring = self._rng.random() < self.fault.misfire_share

    def air_g_s(self, rpm: float) -> float:
        """Air that goes in [g/s], as a hot-wire meter sees it; 36 % of the heat is work (from memory)."""
        t = self.truth
        watts = self.indicated_nm * rpm * pi / 30.0
        if t.aspiration == "diesel_turbo":
            fill = 0.88 * (1.0 + 1.1 * self._boost * min(1.0, rpm / (0.4 * t.rated_rpm))) * sqrt(t.air_share)
            return fill * t.displacement_l * 1.2 * rpm / 120.0
        rich = 1.12 if self.indicated_nm > 0.9 * (self.full_now_nm + self.friction_now_nm) else 1.0
        burnt = watts / (0.36 * 43000.0) * 14.7 / rich
        least = 0.12 * t.displacement_l * 1.2 * rpm / 120.0
        return max(burnt, least)
