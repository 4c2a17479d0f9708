"""The simulated automatic's control: shift schedule by pedal and speed, shifts in time, converter clutch."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Literal

RPM = 30.0 / pi
TASK_S = 0.016
LockPlan = Literal["full", "slip_then_full", "slip_only"]


@dataclass(frozen=True, slots=True)
class GearboxTruth:
    """One transmission. Speeds in rpm of the turbine, torques in N m at the turbine."""

    ratios: tuple[float, ...]
    final_drive: float
    efficiency: float
    turbine_inertia_kg_m2: float
    spin_loss_nm: float
    up_rpm: tuple[float, float]  # upshift at no pedal and at full pedal
    down_share: float  # downshift below this share of the speed the upshift left
    pedal_power: float  # bends the upshift line between the two
    shift_s: tuple[float, float]  # shortest and longest shift
    torque_phase: float  # share of a shift
    lock_plan: LockPlan
    lock_from_gear: int
    lock_on_rpm: float
    lock_off_rpm: float
    lock_pedal_off: float  # opened above this pedal
    lock_delay_s: float
    lock_apply_s: float
    slip_target_rpm: float
    lock_margin: float  # clutch capacity over engine torque when fully applied
    wheel_stiffness_nm_rad: float  # half shafts and tyres, at the wheels
    shaft_damping: float  # share of critical
    neutral_at_stop: bool = False
    skip_shifts: bool = False


class GearboxControl:
    """Decides every 16 ms what gear and what clutch capacity are wanted. It sees what a real one sees:
    pedal, output speed, engine and turbine speed, reported torque, brake switch. It does not know of faults.
    """

    def __init__(
        self, truth: GearboxTruth, idle_rpm: float, redline_rpm: float, engine_inertia_kg_m2: float
    ) -> None:
        self.truth = truth
        self._idle, self._redline = idle_rpm, redline_rpm
        alone, turbine = engine_inertia_kg_m2, truth.turbine_inertia_kg_m2
        both = alone * turbine / (alone + turbine)  # the clutch moves both its sides
        # N m per rpm of slip error, where 1 would be dead beat, and N m per rpm and second
        self._gain, self._sum_gain = 0.6 * both / TASK_S / RPM, 0.7 * alone / TASK_S / RPM
        self.gear = 1  # the gear whose ratio is in use, or the old one during a shift
        self.target = 1
        self.shift_s = 0.0  # time into the shift
        self.shift_length_s = truth.shift_s[1]
        self.shifting = False
        self.engaged = True  # False in park or neutral
        self.want_lock = False
        self.want_slip_rpm = 0.0
        self.capacity_nm = 0.0
        self._since_shift_s = 5.0
        self._wanted_since_s = 0.0
        self._integral = 0.0

    def up_line_rpm(self, pedal: float, gear: int) -> float:
        low, high = self.truth.up_rpm
        return (
            low
            + (high - low) * float(min(1.0, pedal) ** self.truth.pedal_power)
            + 40.0 * (gear - 1) * (1.0 - pedal)
        )

    def step(
        self,
        dt: float,
        pedal: float,
        brake: bool,
        output_rad_s: float,
        engine_rad_s: float,
        turbine_rad_s: float,
        torque_nm: float,
    ) -> None:
        """One control task. torque_nm is the engine torque the engine's control unit reports."""
        t = self.truth
        self._since_shift_s += dt
        n_out = output_rad_s * RPM
        ratios = t.ratios
        if not self.engaged:
            self.capacity_nm = 0.0
            self.want_lock = False
            return
        if not self.shifting and self._since_shift_s > 0.6:
            g = self.gear
            synchronous = n_out * ratios[g - 1]
            if (
                g < len(ratios)
                and synchronous > self.up_line_rpm(pedal, g)
                and n_out * ratios[g] > 1.25 * self._idle
            ):
                self._start(g + 1, pedal)
            elif g > 1:
                left = self.up_line_rpm(pedal, g - 1) * ratios[g - 1] / ratios[g - 2] * t.down_share
                floor = 1.15 * self._idle
                top = 0.93 * self._redline
                if synchronous < max(left, floor) and n_out * ratios[g - 2] < top:
                    down = g - 1
                    if t.skip_shifts and pedal > 0.6 and down > 1 and n_out * ratios[down - 2] < 0.8 * top:
                        down -= 1
                    self._start(down, pedal)
        self._lock(dt, pedal, brake, n_out * ratios[self.gear - 1], engine_rad_s, turbine_rad_s, torque_nm)

    def _start(self, target: int, pedal: float) -> None:
        low, high = self.truth.shift_s
        self.target, self.shifting, self.shift_s = target, True, 0.0
        self.shift_length_s = high - (high - low) * min(1.0, pedal * 1.2)
        self.want_lock = False

    @property
    def applied(self) -> bool:
        """The apply ramp is over."""
        return self._wanted_since_s > self.truth.lock_apply_s

    def finish(self) -> None:
        """The shift is over: the new gear carries the torque."""
        self.gear, self.shifting, self.shift_s = self.target, False, 0.0
        self._since_shift_s = 0.0

    def blend(self) -> tuple[float, float]:
        """Turbine over output speed, and output over turbine torque, at this moment of the shift."""
        old, new = self.truth.ratios[self.gear - 1], self.truth.ratios[self.target - 1]
        x = min(1.0, self.shift_s / self.shift_length_s)
        p = self.truth.torque_phase
        if new < old:  # up: torque hands over first, then the speed comes down
            hand = min(1.0, x / p)
            move = max(0.0, (x - p) / (1.0 - p))
        else:  # down: the turbine runs up first
            move = min(1.0, x / (1.0 - p))
            hand = max(0.0, (x - 1.0 + p) / p)
        move *= move * (3.0 - 2.0 * move)
        return old + (new - old) * move, old + (new - old) * hand

    def _lock(
        self,
        dt: float,
        pedal: float,
        brake: bool,
        turbine_rpm: float,
        engine: float,
        turbine: float,
        torque_nm: float,
    ) -> None:
        t = self.truth
        allowed = (
            self.gear >= t.lock_from_gear and not self.shifting and self._since_shift_s > t.lock_delay_s
            and not brake and pedal < t.lock_pedal_off
        )  # fmt: skip
        if self.want_lock:
            self.want_lock = allowed and turbine_rpm > t.lock_off_rpm
        elif allowed and turbine_rpm > t.lock_on_rpm and pedal < 0.85 * t.lock_pedal_off:
            self.want_lock = True
            self._wanted_since_s = 0.0
            self._integral = 0.0
        if not self.want_lock:
            self.capacity_nm = max(0.0, self.capacity_nm - dt * 2500.0)
            if self.shifting or brake:
                self.capacity_nm = 0.0
            return
        self._wanted_since_s += dt
        slip = (engine - turbine) * RPM
        slipping = t.lock_plan == "slip_only" or (
            t.lock_plan == "slip_then_full" and turbine_rpm < t.lock_on_rpm * 1.18
        )
        self.want_slip_rpm = t.slip_target_rpm if slipping else 0.0
        ramp = min(1.0, self._wanted_since_s / t.lock_apply_s)
        if slipping or ramp < 1.0:
            target = self.want_slip_rpm + (1.0 - ramp) * 250.0
            error = slip - target
            self._integral = min(max(self._integral + self._sum_gain * error * dt, -80.0), 200.0)
            want = 0.55 * max(0.0, torque_nm) * ramp + self._gain * error + self._integral
            if not slipping and ramp > 0.7:
                want = max(want, (ramp - 0.7) / 0.3 * t.lock_margin * max(40.0, torque_nm))
            limit = t.lock_margin * max(40.0, abs(torque_nm))
            want = min(max(want, 0.0), limit)
        else:  # pressure to spare, and more of it while the clutch is seen to slide
            self._integral += dt * (
                2.0 * min(60.0, abs(slip) - 8.0) if abs(slip) > 8.0 else -0.12 * self._integral
            )
            self._integral = min(max(self._integral, 0.0), 0.4 * max(60.0, abs(torque_nm)))
            want = (
                t.lock_margin * max(60.0, abs(torque_nm)) + self._integral + self._gain * max(0.0, slip - 8.0)
            )
        most = 2500.0 * dt
        self.capacity_nm += min(max(want - self.capacity_nm, -most), most)
