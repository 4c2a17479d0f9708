"""The dynamics in 4 ms steps: engine, converter table, clutch, driveline wind-up; the truth as a History."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from dataclasses import dataclass, field
from math import pi, sin
from random import Random
from typing import NamedTuple

from .cars import Car
from .driver import Follow, Seen
from .gearbox import RPM, Automatic, Clutch, Now
from .tables import OVERRUN, STEPS, line

STEP_S = 0.004
TICK_S = 0.02
SUBSTEPS = round(TICK_S / STEP_S)
GRAVITY = 9.81
_OVERRUN = [line(OVERRUN, 1.0 + i / 50.0) for i in range(202)]


class Moment(NamedTuple):
    """The truth of one tick."""

    speed_m_s: float
    brake_nm: float  # at the flywheel, net of friction
    indicated_nm: float
    friction_nm: float
    said_nm: float  # the brake torque the engine's control unit believes in
    air_g_s: float
    pedal: float
    braking: bool
    gear: int  # 0 when nothing connects turbine and wheels
    locked: bool
    settled: bool  # neither in a shift nor between open and applied
    launching: bool


@dataclass
class History:
    """A whole drive as it was: speeds every STEP_S, the rest every TICK_S."""

    engine_rpm: array[float] = field(default_factory=lambda: array("d"))
    turbine_rpm: array[float] = field(default_factory=lambda: array("d"))
    moments: list[Moment] = field(default_factory=list)
    launches: list[tuple[float, float]] = field(default_factory=list)  # start, first upshift
    exposed_s: float = 0.0  # how long the fault showed itself

    def at(self, time_s: float) -> tuple[float, float]:
        """Engine and turbine speed [rpm] at a time."""
        x = max(0.0, min(time_s / STEP_S, len(self.engine_rpm) - 2.0))
        i = int(x)
        f = x - i
        e, t = self.engine_rpm, self.turbine_rpm
        return e[i] + f * (e[i + 1] - e[i]), t[i] + f * (t[i + 1] - t[i])

    def moment(self, time_s: float) -> Moment:
        return self.moments[max(0, min(int(time_s / TICK_S), len(self.moments) - 1))]


class Road:
    """Grade over distance, piecewise linear, and wind."""

    def __init__(self, rng: Random) -> None:
        self._rng, self._spread = rng, rng.uniform(0.003, 0.028)
        self._at, self._grade = [0.0, 200.0], [0.0, rng.gauss(0.0, self._spread)]
        self.wind_m_s = rng.gauss(0.0, 2.5)

    def grade(self, metres: float) -> float:
        while metres > self._at[-1]:
            self._at.append(self._at[-1] + self._rng.uniform(80.0, 600.0))
            self._grade.append(min(0.08, max(-0.08, self._rng.gauss(0.0, self._spread))))
        i = max(1, bisect_right(self._at, metres))
        if i == len(self._at):
            return self._grade[-1]
        share = (metres - self._at[i - 1]) / (self._at[i] - self._at[i - 1])
        return self._grade[i - 1] + share * (self._grade[i] - self._grade[i - 1])


def drive(car: Car, driver: Follow, seconds: float, rng: Random) -> History:
    """Drive the car for `seconds`; deterministic for a given rng."""
    history = History()
    moments, engine_rpm, turbine_rpm = history.moments, history.engine_rpm, history.turbine_rpm
    box_of = (Automatic if car.kind == "converter" else Clutch)(car, rng)
    road = Road(rng)
    has_converter, fault = car.kind == "converter", car.fault
    capacity, torque_ratio, scale = car.table
    full_load = [line(car.full_load, 50.0 * i) for i in range(200)]
    peak_nm = box_of.peak_nm
    inertia, turbine_inertia, per_m = car.inertia_kg_m2, car.turbine_inertia_kg_m2, box_of.per_m
    both_inertias = 1.0 / (1.0 / inertia + 1.0 / turbine_inertia)
    mass, efficiency = 1.03 * car.mass_kg, car.efficiency
    stiffness_top = inertia * (2.0 * pi * car.surge_hz) ** 2
    believes = (rng.gauss(1.0, 0.035), rng.gauss(0.0, 2.5))  # the control unit's torque model: gain, offset
    makes = 1.0 - fault.size if fault.name == "engine_low_output" else 1.0
    air_per_nm_rad_s = rng.uniform(0.92, 1.08) / 1070.0 * (1.6 if car.fuel == "diesel" else 1.0)
    burst_hz, phase = fault.rate, 0.0
    idle_rad_s = car.idle_rpm * RPM
    w, wt, v, wound, metres = idle_rad_s, 0.0, 0.0, 0.0, 0.0
    indicated, idle_sum, turbine_nm, standing_s, off = 0.0, 0.0, 0.0, 0.0, False
    launching, launched_s, upshifts = False, 0.0, 0
    pedal, brake_n, resistance, brake = 0.0, 0.0, 0.0, 0.0
    friction = 0.0
    for tick in range(round(seconds / TICK_S)):
        time_s = tick * TICK_S
        rpm = w / RPM
        pull = full_load[min(199, int(rpm / 50.0))]
        resistance = (
            mass * GRAVITY * (car.rolling + road.grade(metres))
            + 0.6 * car.drag_area_m2 * (v + road.wind_m_s) * abs(v + road.wind_m_s)
            + (fault.size if fault.name == "driveline_drag" else 0.0)
        )
        boost = 1.0 + (0.7 * max(0.0, 1.0 - v / 8.0) if has_converter else 0.0)
        full_force = max(500.0, pull * per_m * box_of.box.ratio * efficiency * boost)
        pedal, brake_n = driver(Seen(time_s, v, mass, resistance, full_force), TICK_S)
        if time_s < box_of.in_drive_s + 0.6:
            pedal, brake_n = 0.0, 3.0 * mass
        braking = brake_n > 0.0
        if braking and v < 1.5:  # a foot holds against the creep, whatever that takes
            brake_n = max(brake_n, 5.0 * mass * (1.0 - v / 1.5))
        box = box_of.tick(Now(time_s, v, w, wt, pedal, braking, brake, turbine_nm), TICK_S)

        # Engine: pedal to indicated torque with a lag; the idle governor keeps it alive.
        friction = car.displacement_l * (8.0 + 0.0027 * rpm)
        error = car.idle_rpm - rpm
        idle_sum = min(40.0, max(0.0, idle_sum + (0.35 * error * TICK_S if abs(error) < 200.0 else 0.0)))
        governor = max(0.0, friction + 0.2 * error + idle_sum)
        asked = pedal**car.pedal_power * (pull + friction) * box.lift
        if rpm > car.redline_rpm:
            asked = 0.0
        indicated += (max(asked, governor) - indicated) * min(1.0, TICK_S / car.engine_lag_s)
        indicated = min(indicated, pull + friction)
        brake = indicated * (makes if indicated > friction else 1.0) - friction
        burnt = indicated * (makes if fault.reported else 1.0)
        said = (burnt - friction) * believes[0] + believes[1]
        standing_s = standing_s + TICK_S if v < 0.02 and braking else 0.0
        off = car.stop_start and standing_s > 1.0 and time_s > 20.0
        flywheel = brake - car.accessories_nm * min(1.0, w / 70.0)

        gear_per_m = per_m * box.ratio
        stiffness = stiffness_top * (car.ratios[-1] / box.ratio) ** 1.2
        stiffness = min(stiffness, 0.2 * turbine_inertia / STEP_S**2)
        damping = min(2.0 * car.surge_damping * (stiffness * inertia) ** 0.5, 0.35 * turbine_inertia / STEP_S)
        ahead = 1.0 + box.excess
        holds, engaged = box.clutch_nm, 1.0 - box.free
        slip_wanted, shake = box.slip_rad_s, box.shake_rad_s
        for _ in range(SUBSTEPS):
            if has_converter and w > 5.0:
                x = wt / w * STEPS
                if x < STEPS:
                    x = max(x, 0.0)
                    i = int(x)
                    f = x - i
                    pump = (capacity[i] + f * (capacity[i + 1] - capacity[i])) * w * w
                    fluid = pump * (torque_ratio[i] + f * (torque_ratio[i + 1] - torque_ratio[i]))
                else:
                    pump = fluid = _OVERRUN[min(201, int((x / STEPS - 1.0) * 50.0))] * scale * w * w
            else:
                pump = fluid = 0.0
            shaft = engaged * (stiffness * wound + damping * (wt / ahead - v * gear_per_m))
            clutch = 0.0
            if holds > 0.0:
                wanted = slip_wanted
                if shake > 0.0:
                    phase += 2.0 * pi * burst_hz * STEP_S
                    wanted += shake * sin(phase)
                open_accel = (flywheel - pump) / inertia - (fluid - shaft) / turbine_inertia
                needed = ((w - wt - wanted) / STEP_S + open_accel) * both_inertias
                clutch = min(holds, max(-holds, needed))
            w += (flywheel - pump - clutch) / inertia * STEP_S
            wt += (fluid + clutch - shaft) / turbine_inertia * STEP_S
            if engaged < 1.0:
                wt += (0.97 * w - wt) * box.free * 0.1
            force = shaft * gear_per_m * (efficiency if shaft > 0.0 else 1.0 / efficiency)
            if v > 0.0:
                v += (force - resistance - brake_n) / mass * STEP_S
                v = max(v, 0.0)
            elif force > resistance + brake_n:
                v = (force - resistance - brake_n) / mass * STEP_S
            wound += (wt / ahead - v * gear_per_m) * STEP_S * engaged
            if off:
                w = 0.0
            elif w < 20.0:
                w += 250.0 * STEP_S  # the starter
            engine_rpm.append(w / RPM)
            turbine_rpm.append(wt / RPM)
        if engaged < 0.5:
            wound = 0.0
        metres += v * TICK_S
        turbine_nm = fluid + clutch
        if v < 0.02:
            launching, launched_s, upshifts = False, time_s, len(box_of.upshifts)
        elif not launching and v > 0.5 and pedal > 0.05 and len(box_of.upshifts) == upshifts:
            launching = True
            history.launches.append((launched_s, 1e9))
        if launching and len(box_of.upshifts) > upshifts:
            launching = False
            history.launches[-1] = (launched_s, box_of.upshifts[upshifts])
        moments.append(
            Moment(
                v,
                brake,
                indicated,
                friction,
                said,
                max(0.0, burnt * w * air_per_nm_rad_s) + 0.8,
                pedal,
                braking,
                0 if box.free > 0.3 else box.gear,
                box.locked and not box.shifting,
                not box.shifting and not box.settling and box.free == 0.0,
                launching,
            )
        )
        shows = _shows(car, moments[-1], shake, box.excess, wt / max(w, 1.0), peak_nm)
        history.exposed_s += TICK_S * shows
    return history


def _shows(car: Car, now: Moment, shake: float, excess: float, speed_ratio: float, peak_nm: float) -> bool:
    """Whether the fault has something to show now: a drive that never shows it proves nothing."""
    name, driving = car.fault.name, now.speed_m_s > 0.5 and now.brake_nm > 0.15 * peak_nm
    shows = {
        "stator_not_holding": driving and not now.locked and now.settled and speed_ratio < 0.75,
        "stator_seized": driving and not now.locked and now.settled and speed_ratio > car.shape.coupling,
        "lockup_shudder": shake > 0.0,
        "lockup_slip": now.locked and driving,
        "lockup_never_applied": now.gear >= car.lock_gear and now.speed_m_s > car.lock_m_s + 2.0 and driving,
        "gear_slip": excess > 0.05,
        "engine_low_output": now.pedal > 0.9 if car.fault.reported else driving,
        "driveline_drag": now.speed_m_s > 3.0,
    }
    return shows.get(name, False)
