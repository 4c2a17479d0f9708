"""What a control unit knows of its vehicle: signals late, filtered, refreshed in steps and rounded."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, pi
from random import Random
from typing import Literal

from livemon.simulate.world import DT_S, RING, World

RPM = 30.0 / pi
SpeedShape = Literal["delay", "boxcar", "lag"]
TorqueKind = Literal["reported", "air_flow", "load", "none"]
TorqueConvention = Literal["indicated_with_friction", "indicated_alone", "net"]


@dataclass(frozen=True, slots=True)
class SignalTruth:
    """How one control unit's signals depart from the truth."""

    speed_shape: SpeedShape
    speed_delay_s: float  # overall, 0.05 ... 0.15
    speed_update_s: float
    speed_rounding: Literal["truncate", "round"]
    speed_floor_kmh: float  # reads zero below
    tyre_radius_m: float  # the one the unit was programmed with
    rpm_update_s: float
    torque_convention: TorqueConvention
    torque_bias: float  # reported over true, a sound engine
    torque_offset_nm: float
    torque_scatter_nm: float
    torque_delay_s: float
    reference_nm: float
    ambient_c: float
    coolant_c: float
    air_bias: float


class Signals:
    """Samples of the world, as the unit holds them at the world's present time."""

    def __init__(self, truth: SignalTruth, world: World, rng: Random) -> None:
        self.truth, self.world, self._rng = truth, world, rng
        self._speed_phase = rng.random() * truth.speed_update_s
        self._rpm_phase = rng.random() * truth.rpm_update_s
        self._lag_kmh = 0.0
        self._lag_at = 0
        self._scatter = 0.0
        self._slow_bias = rng.gauss(0.0, 0.01)

    def _held(self, update_s: float, phase_s: float) -> int:
        """Index of the step at which the unit last refreshed the value."""
        t = self.world.time_s
        held = int((t + phase_s) / update_s) * update_s - phase_s
        return max(0, int(held / DT_S + 1e-6))

    def kmh(self) -> float:
        """Filtered, delayed, unrounded road speed from the wheel's turning and the programmed radius."""
        s, w = self.truth, self.world
        i = self._held(s.speed_update_s, self._speed_phase)
        oldest = w.steps - RING + 1
        back = max(1, round(s.speed_delay_s / DT_S))
        if s.speed_shape == "delay":
            v = w.ring_speed[max(0, oldest, i - back) % RING]
        elif s.speed_shape == "boxcar":  # pulses counted over a gate: late by half of it
            a = max(0, oldest, i - 2 * back)
            v = (w.ring_distance_m[i % RING] - w.ring_distance_m[a % RING]) / (max(1, i - a) * DT_S)
        else:
            while self._lag_at < i:
                self._lag_at += 1
                if self._lag_at > oldest:
                    self._lag_kmh += (
                        (w.ring_speed[self._lag_at % RING] - self._lag_kmh) * DT_S / s.speed_delay_s
                    )
            v = self._lag_kmh
        return v * 3.6 * s.tyre_radius_m / w.body.tyre_radius_m

    def whole_kmh(self) -> int:
        """Road speed as PID 0D gives it."""
        kmh = self.kmh()
        if kmh < self.truth.speed_floor_kmh:
            return 0
        return min(255, floor(kmh) if self.truth.speed_rounding == "truncate" else floor(kmh + 0.5))

    def engine_rpm(self) -> float:
        i = self._held(self.truth.rpm_update_s, self._rpm_phase)
        return self.world.ring_engine[i % RING] * RPM

    def indicated_nm(self) -> float:
        """Torque the unit believes the cylinders make: its own bias, a slow wander and scatter."""
        s, w = self.truth, self.world
        i = max(0, w.steps - round(s.torque_delay_s / DT_S))
        self._scatter = 0.6 * self._scatter + self._rng.gauss(0.0, 0.8 * s.torque_scatter_nm)
        return (
            w.ring_torque[i % RING] * (1.0 + s.torque_bias + self._slow_bias)
            + s.torque_offset_nm
            + self._scatter
        )

    def actual_torque_pct(self) -> int:
        nm = self.indicated_nm()
        if self.truth.torque_convention == "net":
            nm -= self.friction_nm()
        return _clip(round(nm / self.truth.reference_nm * 100.0), -125, 130)

    def demand_torque_pct(self) -> int:
        nm = self.world.engine.demand_nm
        if self.truth.torque_convention == "net":
            nm -= self.friction_nm()
        return _clip(round(nm / self.truth.reference_nm * 100.0), -125, 130)

    def friction_nm(self) -> float:
        return self.world.engine.friction_now_nm * 1.03

    def friction_pct(self) -> int:
        return _clip(round(self.friction_nm() / self.truth.reference_nm * 100.0), -125, 130)

    def air_g_s(self) -> float:
        return (
            self.world.engine.air_g_s(self.world.engine_rad_s * RPM)
            * (1.0 + self.truth.air_bias)
            * self._rng.gauss(1.0, 0.012)
        )

    def absolute_load_pct(self) -> float:
        """J1979: air mass per intake stroke over 1.184 g/L times displacement per cylinder."""
        rpm = self.world.engine_rad_s * RPM
        return 100.0 * self.air_g_s() / (1.184 * self.world.engine.truth.displacement_l * rpm / 120.0)

    def calculated_load_pct(self) -> float:
        engine = self.world.engine
        return min(100.0, 100.0 * engine.indicated_nm / (engine.full_now_nm + engine.friction_now_nm))

    def manifold_kpa(self) -> float:
        engine = self.world.engine
        share = self.calculated_load_pct() / 100.0
        if engine.truth.aspiration == "petrol":
            return self.barometric_kpa() * (0.25 + 0.73 * share)
        return self.barometric_kpa() * (0.95 + 1.1 * share * min(1.0, self.engine_rpm() / 2200.0))

    def barometric_kpa(self) -> float:
        return 101.0 * self.world.engine.truth.air_share

    def pedal_pct(self) -> float:
        return 14.9 + 63.0 * self.world.driver.pedal  # a voltage divider's travel, as pedals are wired

    def coolant_c(self) -> float:
        return self.truth.coolant_c

    def fuel_rate_l_h(self) -> float:
        watts = self.world.engine.indicated_nm * self.world.engine_rad_s
        return watts / (0.38 * 43000.0) / 0.75 * 3.6


def _clip(value: int, low: int, high: int) -> int:
    return low if value < low else high if value > high else value
