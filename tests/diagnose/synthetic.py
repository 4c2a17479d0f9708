"""Made-up Estimates straight from the physics: a drive without buses, polling or estimator, fault included.

Rough on purpose: it tests the reasoning, not the estimator. Truth differs from the vehicle file by `truth`.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from math import sqrt

from livemon.converter.curves import at
from livemon.diagnose.diagnoser import Diagnoser
from livemon.records import Estimate, Oscillation, Regime, Warning
from livemon.vehicle import Known, Vehicle, curves_of

VEHICLE = Vehicle(
    name="test wagon",
    mass_kg=Known(1650.0, 80.0),
    drag_area_m2=Known(0.72, 0.06),
    rolling_resistance=Known(0.010, 0.0015),
    gear_ratios=(4.15, 2.37, 1.56, 1.16, 0.86, 0.69),
    final_drive=3.4,
    tyre_radius_m=Known(0.316, 0.003),
    efficiency=Known(0.93, 0.02),
    inertia_kg_m2=Known(0.22, 0.04),
    peak_torque_nm=240.0,
    peak_torque_rpm=3500.0,
    stall_speed_rpm=2250.0,
    stall_torque_nm=215.0,
    stall_torque_ratio=1.95,
    coupling_speed_ratio=0.87,
)
BARE = replace(  # its file holds no number of a converter
    VEHICLE,
    stall_speed_rpm=None,
    stall_torque_nm=None,
    stall_torque_ratio=None,
    coupling_speed_ratio=None,
)


@dataclass(frozen=True)
class Truth:
    """What is really so; defaults are a sound vehicle exactly as the file says."""

    lost: float = 0.0
    seized: float = 0.0
    torque_made: float = 1.0  # of what is reported
    full_load: float = 1.0  # of rated torque, and reported so
    drag_force_n: float = 0.0
    slip_gear: int = 0
    slip: float = 0.0
    lock: str = "sound"  # sound, slips, never, shudders
    lock_from: tuple[int, float] = (3, 15.0)  # gear and road speed [m/s] from which the clutch comes on
    mass: float = 1.0
    k: float = 1.0
    grade: float = 0.02


@lru_cache(maxsize=32)
def judged(truth: Truth, seed: int = 1, seconds: float = 240.0) -> tuple[Diagnoser, list[Warning]]:
    """The diagnoser at the end of a drive, and the changes of its warnings."""
    return judged_by(VEHICLE, truth, seed, seconds)


def judged_by(file: Vehicle, truth: Truth, seed: int, seconds: float) -> tuple[Diagnoser, list[Warning]]:
    """The same by a vehicle file that need not be the vehicle's."""
    diagnoser = Diagnoser(file)
    warnings: list[Warning] = []
    for item in drive(truth, seed, seconds):
        warnings += diagnoser.feed(item)
    warnings += diagnoser.end()
    return diagnoser, warnings


def drive(
    truth: Truth, seed: int, seconds: float = 300.0, rate_hz: float = 10.0
) -> Iterator[Estimate | Oscillation]:
    """Stop-and-go with pulls and cruises; one Estimate every 1/rate_hz s."""
    rng = random.Random(seed)
    v, c = VEHICLE, curves_of(VEHICLE)
    assert v.tyre_radius_m is not None and v.final_drive is not None
    dt, step = 0.02, 0
    every = max(1, round(1.0 / (rate_hz * dt)))
    speed, rpm, gear, grade, locked_for = 0.0, 750.0, 1, 0.0, 0.0
    mass = v.mass_kg.value * truth.mass
    phase_end, target, pedal = 3.0, 0.0, 0.0
    shift_until, phase = -1.0, 0
    while (time_s := step * dt) < seconds:
        step += 1
        if time_s >= phase_end:
            phase = (phase + 1) % 6
            length, target, pedal = [
                (4.0, 0.0, 0.0),
                (9.0, rng.uniform(9, 14), rng.uniform(0.35, 0.7)),
                (8.0, 0.0, 0.0),
                (16.0, rng.uniform(20, 27), rng.uniform(0.4, 1.0)),
                (22.0, 24.0, 0.45),
                (11.0, 0.0, 0.0),
            ][phase]
            phase_end = time_s + length
        grade += dt * (-grade / 15.0) + truth.grade * sqrt(2 * dt / 15.0) * rng.gauss(0, 1)
        braking = 2.2 if target == 0.0 and phase in (0, 5, 2) and phase_end - time_s < 6.0 else 0.0
        coasting = target == 0.0
        wanted = 0.0 if coasting else max(0.0, min(pedal, 0.10 + 0.5 * (target - speed)))
        upshift = [5.5, 9.5, 14.0, 19.0, 24.0, 99.0][gear - 1]
        if speed > upshift and gear < 6 and time_s > shift_until + 1.0:
            gear, shift_until, locked_for = gear + 1, time_s + 0.5, 0.0
        elif gear > 1 and speed < [0, 4.0, 7.0, 11.0, 16.0, 20.0][gear - 1] and time_s > shift_until + 1.0:
            gear, shift_until = gear - 1, time_s + 0.4
        per_m = v.gear_ratios[gear - 1] * v.final_drive / v.tyre_radius_m.value
        apparent = speed * per_m * 30.0 / 3.14159265
        turbine = apparent / (1.0 - truth.slip) if gear == truth.slip_gear else apparent
        limit = truth.full_load * 240.0 * max(0.4, 1.0 - ((rpm - 3500.0) / 4200.0) ** 2)
        made_share = truth.torque_made
        reported = wanted * limit / (made_share if made_share < 1.0 else 1.0) * made_share
        made = reported * made_share
        shifting = time_s < shift_until
        wants_lock = (
            gear >= truth.lock_from[0]
            and speed > truth.lock_from[1]
            and not shifting
            and truth.lock != "never"
            and not coasting
        )
        locked_for = locked_for + dt if wants_lock else 0.0
        locked = locked_for > 1.0
        old = rpm
        if locked:
            slip = 20.0
            if truth.lock == "slips":
                slip += max(0.0, made - 50.0) * 2.0
            rpm += (turbine + slip - rpm) * min(1.0, dt / 0.1)
            pump = max(made - 0.22 * (rpm - old) / dt * 0.10472, -20.0)
            turbine_nm = pump
        else:
            ratio = min(turbine / max(rpm, 500.0), 1.3)
            k = at(c.k, ratio) * truth.k
            k += truth.lost * (at(c.k_lost, ratio) - at(c.k, ratio)) + truth.seized * (
                at(c.k_seized, ratio) - at(c.k, ratio)
            )
            tr = at(c.tr, ratio)
            tr += -truth.lost * (tr - 1.0) + truth.seized * (at(c.tr_seized, ratio) - tr)
            pump = (rpm / k) ** 2 if ratio < 1.0 else -15.0
            idle = max(0.0, (760.0 - rpm) * 0.8)
            rpm += dt * (made + idle - pump - (4.0 if rpm > 760 else 0.0)) / 0.22 * 9.549
            rpm = max(rpm, 650.0)
            turbine_nm = pump * max(tr, 0.2)
        force = turbine_nm * per_m * 0.93
        resist = mass * 9.80665 * (0.010 + grade) + 0.5 * 1.2 * 0.72 * speed * speed
        accel = (force - resist - truth.drag_force_n * (speed > 0.1)) / (mass * 1.06) - braking
        if speed <= 0.0 and accel < 0.0:
            accel = 0.0
        speed = max(0.0, speed + dt * accel)
        if step % every:
            continue
        noisy = apparent + rng.gauss(0.0, 12.0)
        regime: Regime
        if shifting:
            regime = "shift"
        elif locked:
            regime = "locked"
        elif speed < 0.2:
            regime = "stationary_in_gear"
        elif coasting:
            regime = "coast"
        else:
            regime = "launch" if gear == 1 else "pull"
        seen = reported if not coasting else -15.0
        if regime == "stationary_in_gear" and coasting:  # the governor gives what the fluid takes
            seen = pump / made_share
        pump_seen = seen - (0.22 * (rpm - old) / dt * 0.10472)
        yield Estimate(
            time_s=time_s,
            engine_rpm=rpm,
            regime=regime,
            turbine_rpm=noisy,
            turbine_sd_rpm=15.0,
            slip_rpm=rpm - noisy,
            slip_sd_rpm=15.0,
            speed_ratio=noisy / rpm,
            speed_ratio_sd=15.0 / rpm,
            gear=gear,
            gear_probability=0.99,
            locked_probability=1.0 if locked else 0.02,
            engine_accel_rpm_s=(rpm - old) / dt,
            road_speed_m_s=speed,
            road_speed_sd_m_s=0.1,
            road_accel_m_s2=accel + rng.gauss(0.0, 0.05),
            road_accel_sd_m_s2=0.12,
            turbine_rad_per_m=per_m,
            engine_torque_nm=seen,
            pump_torque_nm=pump_seen + rng.gauss(0.0, 4.0),
            pump_torque_sd_nm=9.0,
            torque_source="reported",
            pedal_pct=100.0 * wanted,
        )
        if locked and step % (10 * every) == 0:
            shake = truth.lock == "shudders" and (time_s % 9.0) < 4.0
            yield Oscillation(time_s, 9.0, 40.0 if shake else 4.0, 1e-6 if shake else 0.3, 20.0, 8.0, True)
