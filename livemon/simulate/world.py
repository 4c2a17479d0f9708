"""The simulated vehicle in motion: engine, converter, gearbox, body and driver, stepped together.

Semi-implicit steps of 8 ms. The engine side is implicit in the converter's stiffness, the shaft between
turbine and wheels is a spring, the clutch sticks and breaks away. Faults enter only as physical causes.
"""

from __future__ import annotations

from math import exp, pi, sin, sqrt
from random import Random

from livemon.simulate.causes import Causes, ClutchState, Truth
from livemon.simulate.driver import Driver, DriverTruth
from livemon.simulate.engine import Engine, EngineTruth
from livemon.simulate.fluid import Fluid
from livemon.simulate.gearbox import GearboxControl, GearboxTruth
from livemon.simulate.hydraulics import ConverterTruth
from livemon.simulate.road import BodyTruth, Road, RoadTruth

DT_S = 0.008
RPM = 30.0 / pi
GRAVITY = 9.80665
RING = 128  # steps of signal history kept for the control unit


class World:
    """One vehicle on one road. `step()` moves it DT_S; `truth()` tells all."""

    def __init__(
        self,
        engine: EngineTruth,
        converter: ConverterTruth,
        gearbox: GearboxTruth,
        body: BodyTruth,
        road: RoadTruth,
        driver: DriverTruth,
        causes: Causes,
        seed: str,
    ) -> None:
        def stream(name: str) -> Random:
            return Random(f"{seed}:{name}")

        self.engine = Engine(engine, causes.engine, stream("engine"), DT_S)
        self.control = GearboxControl(gearbox, engine.idle_rpm, engine.rated_rpm, engine.inertia_kg_m2)
        self.road = Road(road, stream("road"))
        self.body, self.causes, self.gearbox = body, causes, gearbox
        rolling = body.mass_kg * GRAVITY * body.rolling_resistance
        drag = 0.5 * body.air_density_kg_m3 * body.drag_area_m2
        peak_w = max(
            engine.full_load_nm(r) * r / RPM
            for r in (0.5 * engine.rated_rpm, 0.75 * engine.rated_rpm, engine.rated_rpm)
        )
        self.driver = Driver(driver, stream("driver"), (rolling, drag, body.mass_kg), peak_w / 8.0)
        self.fluid = Fluid(converter, causes)
        self._chatter_rng = stream("chatter")
        self._chatter = self._hunt_turns = self._hunt_drift = 0.0
        self._drag_n = 0.5 * body.air_density_kg_m3 * body.drag_area_m2
        self._fade = 0.0
        # state
        self.time_s = 0.0
        self.steps = 0
        self.engine_rad_s = engine.idle_rpm / RPM
        self.turbine_rad_s = 0.0
        self.twist_rad = 0.0
        self.speed_m_s = 0.0
        self.distance_m = 0.0
        self.accel_m_s2 = 0.0
        self.stuck = False
        self.pump_nm = self.turbine_nm = self.clutch_nm = self.shaft_nm = self.flywheel_nm = 0.0
        self.heat_w = 0.0
        self.grade = 0.0
        self.element_slipping = False
        self.oil_c = 78.0
        # what the control unit may look back on
        self.ring_distance_m = [0.0] * RING
        self.ring_speed = [0.0] * RING
        self.ring_engine = [self.engine_rad_s] * RING
        self.ring_torque = [self.engine.indicated_nm] * RING

    def run_to(self, time_s: float) -> None:
        """Move on to `time_s`, in whole steps."""
        step, due = self.step, int(time_s / DT_S)
        while self.steps < due:
            step()

    def step(self) -> None:
        """Move everything DT_S on."""
        dt = DT_S
        control, driver, causes = self.control, self.driver, self.causes
        v = self.speed_m_s
        if self.steps % 5 == 0:
            driver.step(self.time_s, v)
            self.road.step(5 * dt)
            self._slow(5 * dt)
        if self.steps % 2 == 0:
            self._command(2 * dt)
        w_e, w_t = self.engine_rad_s, self.turbine_rad_s
        box = self.gearbox
        net = self.engine.step(w_e * RPM, driver.pedal, self.time_s)
        self.flywheel_nm = self.engine.net_nm
        # where the wheels hold the turbine, seen from the turbine
        if control.shifting:
            control.shift_s += dt
            speed_ratio, torque_share = control.blend()
            if control.shift_s >= control.shift_length_s:
                control.finish()
        else:
            speed_ratio = torque_share = box.ratios[control.gear - 1]
        to_wheel = speed_ratio * box.final_drive
        radius = self.body.tyre_radius_m
        w_wheels = v / radius * to_wheel
        engaged = control.engaged
        k = box.wheel_stiffness_nm_rad / (to_wheel * to_wheel) if engaged else 0.0
        j_t = box.turbine_inertia_kg_m2
        j_e = self.engine.truth.inertia_kg_m2
        c = 2.0 * box.shaft_damping * sqrt(k * j_t)
        capacity = control.capacity_nm * causes.clutch_friction if causes.clutch_applies else 0.0
        if capacity > causes.clutch_limit_nm:
            capacity = causes.clutch_limit_nm
        if causes.valve_hunt > 0.0 and capacity > 0.0:
            self._hunt_turns += causes.valve_hunt_hz * (1.0 + 0.08 * self._hunt_drift) * dt
            capacity *= 1.0 + causes.valve_hunt * self._chatter * sin(2.0 * pi * self._hunt_turns)
        theta = self.twist_rad
        if self.stuck:
            j = j_e + j_t
            pull = k * theta
            w = (j * w_e + dt * (net - pull + c * w_wheels - box.spin_loss_nm)) / (j + dt * c)
            through = net - j_e * (w - w_e) / dt
            self.pump_nm = self.turbine_nm = 0.0
            self.clutch_nm = through
            shaft = pull + c * (w - w_wheels)
            theta += dt * (w - w_wheels)
            if abs(through) > capacity or control.shifting or not engaged:
                self.stuck = False
            new_e = new_t = w
        elif causes.clutch_fall > 0.0 and capacity > 0.0 and engaged and not control.shifting:
            new_e, new_t, theta, shaft = self._chattering(net, capacity, k, c, w_wheels)
        else:
            fluid_p, fluid_t, slope = self.fluid.torque(w_e, w_t)
            ratio = fluid_t / fluid_p if fluid_p else 1.0
            spin = box.spin_loss_nm * (1.0 if w_t > 1.0 else w_t)
            stiff = c + k * dt
            heavy_e, heavy_t = j_e + dt * slope, j_t + dt * stiff
            new_e = w_e + dt * (net - fluid_p) / heavy_e
            fluid_p += slope * (new_e - w_e)  # the torque as it acted, so that momentum is kept
            fluid_t = fluid_p * ratio
            into = fluid_t - spin
            new_t = (j_t * w_t + dt * (into - k * theta + stiff * w_wheels)) / heavy_t
            grip = 0.0
            if capacity > 0.0 and engaged:
                grip = (new_e - new_t) / (
                    dt * (1.0 / heavy_e + 1.0 / heavy_t)
                )  # what would end the sliding now
                if -capacity < grip < capacity:
                    self.stuck = not control.shifting
                else:
                    grip = capacity if grip > 0.0 else -capacity
                new_e -= dt * grip / heavy_e
                new_t += dt * grip / heavy_t
                fluid_p -= slope * dt * grip / heavy_e
                into += grip
            shaft = k * theta + stiff * (new_t - w_wheels)
            self.element_slipping = False
            if control.gear == causes.slipping_gear and engaged and not control.shifting:
                hold = causes.gear_capacity_nm + causes.gear_pressure_share * max(
                    0.0, self.engine.indicated_nm
                )
                over = w_t - w_wheels
                hold += 0.25 * over if over > 0.0 else 0.0
                if shaft > hold:
                    new_t = w_t + dt * (into - hold) / j_t
                    shaft = hold
                    self.element_slipping = True
            if self.element_slipping:
                theta = shaft / k
            elif engaged:
                theta += dt * (new_t - w_wheels)
            else:
                theta = 0.0
                new_t = w_t + dt * (into - 0.02 * w_t) / j_t
                shaft = 0.0
            self.pump_nm, self.turbine_nm, self.clutch_nm = fluid_p, fluid_t, grip
        if new_e < 20.0:
            new_e = 20.0  # the starter's business, not ours
        if new_t < 0.0:
            new_t = 0.0
        # body
        body = self.body
        share = torque_share if shaft > 0.0 else speed_ratio
        efficiency = box.efficiency if shaft > 0.0 else 1.0 / box.efficiency
        push = shaft * share * box.final_drive * efficiency / radius
        self.grade = grade = self.road.grade(self.distance_m)
        weight = body.mass_kg * GRAVITY
        air = v + self.road.wind_m_s
        push -= weight * grade + self._drag_n * air * abs(air)
        hold_back = (
            weight * (body.rolling_resistance + body.rolling_per_m_s * v) + driver.brake_m_s2 * body.mass_kg
            + causes.drag_n + self._fade
        )  # fmt: skip
        inertia = body.mass_kg + body.wheel_inertia_kg_m2 / (radius * radius)
        if v > 0.0:
            new_v = v + dt * (push - hold_back) / inertia
            if new_v < 0.0:
                new_v = 0.0
        else:
            new_v = dt * (push - hold_back) / inertia if push > hold_back else 0.0
        self.accel_m_s2 = (new_v - v) / dt
        self.distance_m += 0.5 * (v + new_v) * dt
        self.heat_w = self.pump_nm * w_e - self.turbine_nm * w_t + self.clutch_nm * (w_e - w_t)
        self.engine_rad_s, self.turbine_rad_s, self.speed_m_s = new_e, new_t, new_v
        self.twist_rad, self.shaft_nm = theta, shaft
        self.steps += 1
        self.time_s = self.steps * dt
        i = self.steps & (RING - 1)
        self.ring_distance_m[i] = self.distance_m
        self.ring_speed[i] = new_v
        self.ring_engine[i] = new_e
        self.ring_torque[i] = self.engine.indicated_nm

    def _chattering(
        self, net: float, capacity: float, k: float, c: float, w_wheels: float
    ) -> tuple[float, float, float, float]:
        """A sliding clutch whose friction falls with sliding speed, in steps of 1 ms."""
        n = 8
        h = DT_S / n
        j_e, j_t = self.engine.truth.inertia_kg_m2, self.gearbox.turbine_inertia_kg_m2
        w_e, w_t, theta = self.engine_rad_s, self.turbine_rad_s, self.twist_rad
        fall = self.causes.clutch_fall * self._chatter
        scale = self.causes.clutch_fall_rad_s
        p_sum = t_sum = g_sum = s_sum = 0.0
        pump, turbine, slope = self.fluid.torque(w_e, w_t)
        start_e = w_e
        for _ in range(n):
            free_e = w_e + h * (net - pump - slope * (w_e - start_e)) / j_e
            shaft = k * theta + c * (w_t - w_wheels)
            free_t = w_t + h * (turbine + slope * (w_e - start_e) - shaft - self.gearbox.spin_loss_nm) / j_t
            grip = (free_e - free_t) / (h * (1.0 / j_e + 1.0 / j_t))
            slip = w_e - w_t
            most = capacity * (1.0 - fall * (1.0 - exp(-abs(slip) / scale)))
            grip = min(max(grip, -most), most)
            p_sum += pump + slope * (w_e - start_e)
            t_sum += turbine + slope * (w_e - start_e)
            w_e = free_e - h * grip / j_e
            w_t = free_t + h * grip / j_t
            theta += h * (w_t - w_wheels)
            g_sum += grip
            s_sum += shaft
        self.pump_nm, self.turbine_nm, self.clutch_nm = p_sum / n, t_sum / n, g_sum / n
        return w_e, w_t, theta, s_sum / n

    def _command(self, dt: float) -> None:
        """The transmission control unit's task."""
        control, driver = self.control, self.driver
        v = self.speed_m_s
        engaged = not driver.park and not (
            self.gearbox.neutral_at_stop and v < 0.05 and driver.brake_m_s2 > 1.5
        )
        if engaged and not control.engaged:
            self.twist_rad = 0.0
        control.engaged = engaged
        control.step(
            dt, driver.pedal, driver.brake_on, v / self.body.tyre_radius_m * self.gearbox.final_drive,
            self.engine_rad_s, self.turbine_rad_s, self.engine.indicated_nm - self.engine.friction_now_nm,
        )  # fmt: skip

    def _slow(self, dt: float) -> None:
        """Heat, and the chatter that comes and goes with it."""
        self.oil_c += dt * (max(0.0, self.heat_w) / 22000.0 - (self.oil_c - 70.0) / 260.0)
        causes = self.causes
        if causes.drag_hot_n > 0.0:
            warm = min(1.0, self.time_s / 240.0)
            self._fade = causes.drag_hot_n * warm
        if causes.clutch_fall > 0.0:
            noise = self._chatter_rng.gauss
            self._chatter += -(self._chatter - 0.7) * dt / 5.0 + noise(0.0, 0.5) * sqrt(2.0 * dt / 5.0)
            self._chatter = min(1.4, max(0.0, self._chatter))
            self._hunt_drift += -self._hunt_drift * dt / 2.0 + noise(0.0, 1.0) * sqrt(2.0 * dt / 2.0)

    def truth(self) -> Truth:
        """Everything about this moment."""
        w_e, w_t = self.engine_rad_s, self.turbine_rad_s
        control = self.control
        clutch: ClutchState
        if control.shifting:
            clutch = "shifting"
        elif self.stuck:
            clutch = "locked"
        elif control.capacity_nm > 1.0 and self.causes.clutch_applies and control.want_lock:
            near = abs(w_e - w_t) * RPM < control.want_slip_rpm + 25.0
            applied = near or control.applied
            clutch = "slipping" if applied else "applying"
        else:
            clutch = "open"
        return Truth(
            time_s=self.time_s,
            engine_rpm=w_e * RPM,
            turbine_rpm=w_t * RPM,
            gear=control.gear if control.engaged else 0,
            clutch=clutch,
            shifting=control.shifting,
            speed_ratio=w_t / w_e,
            pump_torque_nm=self.pump_nm,
            turbine_torque_nm=self.turbine_nm + self.clutch_nm,
            engine_torque_nm=self.flywheel_nm,
            road_kmh=self.speed_m_s * 3.6,
            accel_m_s2=self.accel_m_s2,
            grade=self.grade,
            pedal=self.driver.pedal,
            brake=self.driver.brake_on,
            stator=self.fluid.stator(self.pump_nm, self.turbine_nm),
            transmission_oil_c=self.oil_c,
        )
