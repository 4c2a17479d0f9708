"""What the gearbox does every 20 ms: which gear, how far a shift has come, what the clutch is told."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from random import Random

from .cars import Car

RPM = pi / 30.0


@dataclass
class Box:
    """The gearbox as the dynamics see it at one tick."""

    gear: int = 1
    ratio: float = 1.0
    free: float = 1.0  # 1: nothing connects turbine and wheels
    clutch_nm: float = 0.0  # what the converter clutch (or the clutch) can carry; 0 = open
    slip_rad_s: float = 0.0  # where it is told to hold the slip
    shake_rad_s: float = 0.0  # amplitude of shudder
    excess: float = 0.0  # share by which a slipping gear element lets the turbine run ahead
    shifting: bool = False
    locked: bool = False  # applied and settled
    settling: bool = False  # between open and applied
    lift: float = 1.0  # share of the driver's torque let through


@dataclass(frozen=True)
class Now:
    """The state of the drive a gearbox decides on."""

    time_s: float
    speed_m_s: float
    engine_rad_s: float
    turbine_rad_s: float
    pedal: float
    braking: bool
    engine_nm: float
    turbine_nm: float


class Automatic:
    """Converter automatic: shift and lockup schedules, shifts as a blend of ratios."""

    def __init__(self, car: Car, rng: Random) -> None:
        self.car, self.rng = car, rng
        self.box = Box(ratio=car.ratios[0])
        self.in_drive_s = rng.choice((0.0, rng.uniform(2.0, 6.0)))
        self.peak_nm = max(torque for _, torque in car.full_load)
        self.per_m = car.final_drive / car.radius_m
        self.upshifts: list[float] = []
        self._from = car.ratios[0]
        self._began_s, self._took_s, self._rest_until_s = -9.0, 0.5, 0.0
        self._ready_s = 0.0
        self._apply_s: float | None = None
        self._apply_slip = 0.0
        self._apply_took_s = rng.uniform(0.4, 1.0)
        self._burst_s, self._quiet_s, self._level = 0.0, 0.0, 0.0
        self._slip = 0.0

    def tick(self, now: Now, dt: float) -> Box:
        """Decide for the next `dt` seconds."""
        box, car = self.box, self.car
        standing = now.speed_m_s < 0.05 and now.braking
        away = now.time_s < self.in_drive_s or (car.stop_neutral and standing)
        box.free += (float(away) - box.free) * min(1.0, dt / 0.2)
        if box.free < 0.005:
            box.free = 0.0
        self._shift(now)
        self._lockup(now, dt)
        fault = car.fault
        if fault.name == "gear_slip":
            loaded = box.gear == fault.gear and not box.shifting and now.turbine_nm > 0.12 * self.peak_nm
            box.excess += ((fault.size if loaded else 0.0) - box.excess) * min(1.0, dt / 0.15)
        return box

    def _shift(self, now: Now) -> None:
        box, car = self.box, self.car
        if box.shifting:
            x = (now.time_s - self._began_s) / self._took_s
            if x >= 1.0:
                box.shifting, box.ratio, box.lift = False, car.ratios[box.gear - 1], 1.0
                self._rest_until_s = now.time_s + 0.8
            else:
                box.ratio = self._from + (car.ratios[box.gear - 1] - self._from) * x * x * (3.0 - 2.0 * x)
            return
        if now.time_s < self._rest_until_s:
            return
        rpm = now.speed_m_s * self.per_m * box.ratio / RPM
        top = 0.92 * car.redline_rpm
        up = car.shift_low_rpm + (top - car.shift_low_rpm) * now.pedal**1.4
        gear = box.gear
        if gear < len(car.ratios) and rpm > up:
            after = rpm * car.ratios[gear] / box.ratio
            if after > 950.0 + (0.55 * top - 950.0) * now.pedal**2:
                self._begin(gear + 1, now)
                return
        step = car.ratios[gear - 2] / box.ratio if gear > 1 else 1.0
        if gear > 1 and (rpm < 1000.0 + (0.8 * top / step - 1000.0) * now.pedal**2.2 or now.speed_m_s < 0.5):
            self._begin(gear - 1, now)

    def _begin(self, gear: int, now: Now) -> None:
        box = self.box
        if gear > box.gear:
            self.upshifts.append(now.time_s)
            box.lift = self.rng.uniform(0.6, 1.0)
        self._from, self._began_s, box.shifting, box.gear = box.ratio, now.time_s, True, gear
        self._took_s = self.rng.uniform(0.3, 0.7)

    def _lockup(self, now: Now, dt: float) -> None:
        box, car = self.box, self.car
        may = (
            box.gear >= car.lock_gear
            and now.speed_m_s > car.lock_m_s - (2.0 if box.clutch_nm else 0.0)
            and now.pedal > (0.04 if not box.clutch_nm else -1.0 if box.locked or car.lock_in_coast else 0.02)
            and now.pedal < (0.8 if box.clutch_nm else 0.6)
            and not (now.braking and not car.lock_in_coast)
            and now.turbine_rad_s > (1050.0 if box.clutch_nm else 1200.0) * RPM
            and (not box.shifting or (car.lock_in_shifts and box.clutch_nm > 0.0))
            and car.fault.name != "lockup_never_applied"
        )
        if not may:
            box.clutch_nm, box.locked, box.settling, box.shake_rad_s = 0.0, False, False, 0.0
            self._apply_s, self._slip = None, 0.0
            self._ready_s = now.time_s + 1.0
            return
        if now.time_s < self._ready_s:
            return
        if self._apply_s is None:
            self._apply_s, self._apply_slip = now.time_s, now.engine_rad_s - now.turbine_rad_s
            self._level = 0.0
        box.clutch_nm = 2.0 * self.peak_nm
        x = (now.time_s - self._apply_s) / self._apply_took_s
        box.locked, box.settling = x >= 1.2, x < 1.2
        load = min(1.0, max(-1.0, now.engine_nm / 40.0))
        final = car.lock_slip_rpm * RPM * load
        fault = car.fault
        if fault.name == "lockup_slip":
            wanted = fault.size * RPM * min(1.0, max(0.0, now.engine_nm / (0.6 * self.peak_nm)))
            self._slip += (wanted - self._slip) * min(1.0, dt / 0.25)
            final += self._slip
        elif fault.name == "lockup_shudder":
            self._bursts(now, dt, x)
            box.shake_rad_s = self._level * fault.size * RPM
            final += box.shake_rad_s
        box.slip_rad_s = final + (self._apply_slip - final) * max(0.0, 1.0 - x)

    def _bursts(self, now: Now, dt: float, x: float) -> None:
        """Shudder comes and goes, and only under load."""
        if now.time_s > self._quiet_s:
            self._burst_s = now.time_s + self.rng.uniform(1.5, 6.0)
            self._quiet_s = self._burst_s + self.rng.uniform(0.5, 4.0)
        on = x > 1.0 and now.time_s < self._burst_s and now.engine_nm > 0.12 * self.peak_nm
        self._level += (float(on) - self._level) * min(1.0, dt / 0.12)


class Clutch(Automatic):
    """No converter: a clutch, worked by a foot (manual) or by the box itself (dual clutch)."""

    def __init__(self, car: Car, rng: Random) -> None:
        super().__init__(car, rng)
        self._foot = car.kind == "manual"
        self._closed = False
        self._bite_rpm = rng.uniform(900.0, 1200.0)

    def _shift(self, now: Now) -> None:
        super()._shift(now)
        if self._foot and self.box.shifting and self._took_s < 0.75:
            self._took_s = self.rng.uniform(0.75, 1.3)

    def _lockup(self, now: Now, dt: float) -> None:
        box = self.box
        box.slip_rad_s = 0.0
        engine_rpm, shaft_rpm = now.engine_rad_s / RPM, now.turbine_rad_s / RPM
        if box.shifting and self._foot:  # clutch down for the first half, then let in
            x = (now.time_s - self._began_s) / self._took_s
            box.clutch_nm = max(0.0, x - 0.55) * 2.5 * self.peak_nm
            box.lift = 0.0 if x < 0.6 else 1.0
            box.locked, box.settling = False, True
            return
        if shaft_rpm < 0.85 * self.car.idle_rpm:
            self._closed = False
        elif engine_rpm - shaft_rpm < 40.0:
            self._closed = True
        if self._closed:
            box.clutch_nm, box.locked, box.settling = 3.0 * self.peak_nm, True, False
        else:
            creep = 15.0 if not self._foot and not now.braking else 0.0
            bite = 0.012 * self.peak_nm * (engine_rpm - self._bite_rpm - 900.0 * now.pedal)
            box.clutch_nm = 0.0 if now.braking else min(1.5 * self.peak_nm, max(creep, bite))
            box.locked, box.settling = False, box.clutch_nm > 0.0
