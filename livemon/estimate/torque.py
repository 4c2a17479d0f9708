"""Engine torque and pump torque from what the vehicle reports, torque ratio from the road."""

from __future__ import annotations

from math import hypot, inf, sqrt
from typing import Final

from livemon.converter.engine_torque import Torque as EngineTorque
from livemon.converter.engine_torque import (
    accessories,
    from_absolute_load,
    from_air_flow,
    from_calculated_load,
    from_fuel_rate,
    from_reported,
    pump_torque_nm,
)
from livemon.estimate.convention import Convention
from livemon.estimate.held import FRESH_S, Held
from livemon.estimate.zero import Zero
from livemon.quantities import (
    AIR_DENSITY_KG_M3,
    BAROMETER_KPA,
    RPM_TO_RAD_S,
    SEA_LEVEL_KPA,
    STANDARD_GRAVITY_M_S2,
    TORQUE_SOURCES,
    pedal_quantities,
    torque_quantities,
)
from livemon.records import Estimate
from livemon.vehicle import Vehicle, curves_of, engine_torque_limit, road_force

_GRADE_SD: Final = 0.025
_PER_TURN: Final = frozenset(("air_flow_g_s", "fuel_rate_l_h"))  # torque is what of them comes with each turn
RUNS_RPM: Final = 400.0  # slower, the engine is off or being started, and its torque says nothing
_HEARD_S: Final = 15.0  # a worse source does not stand in for a better one heard so lately
_REFERENCE_COMES_S: Final = 30.0  # after the first percent; until then no worse source stands in for it
_PEDAL_UP_PCT, _THROTTLE_UP_PCT = 1.0, 2.0  # above where it rests: steps of the reading, idle governor
_PEDAL_MOVED_PCT: Final = 5.0  # before so much travel was seen, where it rests is not known


class Torque:
    """`add` torque readings; `at` gives pump torque at a time; `into` writes an Estimate's torque fields."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._vehicle = vehicle
        rated = engine_torque_limit(vehicle, vehicle.peak_torque_rpm or 3000.0)
        self._rated_nm = rated.value if rated else None
        self._air_share = 1.0  # of the air at sea level
        self.zero = Zero()  # used for the gear chain alone; what is told to others stays as reported
        self.engine_rpm: float | None = None  # the newest
        self._rpm_s, self._turned_s = 0.0, -inf
        self._since: dict[str, float] = {}  # times of the newest readings after it
        self.road_kmh: float | None = None
        self._convention = Convention()
        self._reference_nm: float | None = None
        self._reference_due_s = inf
        self._friction_nm = 6.0 * (vehicle.displacement_l or 2.5)
        self._states_friction = False
        self._pedals, self._sources = pedal_quantities(vehicle.fuel), torque_quantities(vehicle.fuel)
        self._kept = frozenset(
            (
                *self._pedals,
                *self._sources,
                "reference_torque_nm",
                "friction_torque_pct",
                "barometric_kpa",
                "brake",
            )
        )
        self._travel: dict[str, tuple[float, float]] = {}  # least and most of each pedal signal
        self._k_stall = curves_of(vehicle).k[0]
        self._held = Held()
        mass = vehicle.mass_kg
        self._mass, self._mass_sd = mass.value, mass.sd
        self._force_sd = hypot(
            mass.value * STANDARD_GRAVITY_M_S2 * _GRADE_SD,
            mass.value * STANDARD_GRAVITY_M_S2 * vehicle.rolling_resistance.sd,
        )
        self._drag_sd = 0.5 * AIR_DENSITY_KG_M3 * vehicle.drag_area_m2.sd

    def add(self, t: float, quantity: str, value: float) -> None:
        if quantity not in self._kept or (quantity == "friction_torque_pct" and value <= 0.0):
            return  # no engine runs without friction: a control that says so does not know it
        self._held.add(quantity, t, value, self._turning(t))
        self._since[quantity] = t
        if quantity == "engine_torque_pct":
            self._reference_due_s = min(self._reference_due_s, t + _REFERENCE_COMES_S)
            self._look_at_convention(t, value)
        elif quantity == "reference_torque_nm" and value > 0.0:
            self._reference_nm = value
        elif quantity == "friction_torque_pct":
            self._states_friction = True
        elif quantity == "barometric_kpa" and BAROMETER_KPA[0] < value < BAROMETER_KPA[1]:
            self._air_share = value / SEA_LEVEL_KPA
        elif quantity in self._pedals:
            rest, most = self._travel.get(quantity, (value, value))
            self._travel[quantity] = (min(rest, value), max(most, value))

    def turns(self, t: float, rpm: float) -> None:
        """Take one reading of engine speed."""
        before, apart, self._rpm_s = self.engine_rpm, t - self._turned_s, 0.0
        if before is not None and 0.0 < apart < FRESH_S:
            self._rpm_s = (rpm - before) / apart
            for quantity, at in self._since.items():
                self._held.turned(quantity, self._turning(at))
        self._since.clear()
        self.engine_rpm, self._turned_s = rpm, t

    def _turning(self, t: float) -> float:
        """Engine speed at t, after its newest reading; 0 if it does not run or nothing tells."""
        ahead_s = t - self._turned_s
        if self.engine_rpm is None or not 0.0 <= ahead_s < FRESH_S:
            return 0.0
        rpm = self.engine_rpm + self._rpm_s * ahead_s
        return rpm if rpm > RUNS_RPM else 0.0

    def _look_at_convention(self, t: float, percent: float) -> None:
        n, reference = self.engine_rpm, self._reference_nm
        if n is None or reference is None or reference <= 0.0:
            return
        pump = (n / self._k_stall) ** 2  # standing in gear; a lost reaction or cold fluid takes more
        taken = accessories(n, self._vehicle.displacement_l)
        idle_pct = 100.0 / reference * (taken.nm + pump)
        idle_sd_pct = 100.0 / reference * hypot(taken.bias_sd_nm, 0.4 * pump)
        self._convention.look(
            t, percent, self._held.near("friction_torque_pct", t, 10.0), n, self.road_kmh,
            self._pedal(t, 1.5), (idle_pct, idle_sd_pct),
        )  # fmt: skip

    def _pedal(self, t: float, stale_s: float) -> float | None:
        """Pedal travel from the best that is answered. A petrol engine's throttle stands in for it."""
        for quantity in self._pedals:
            if quantity in self._held:
                return self._held.near(quantity, t, stale_s)
        return None

    def foot_off(self, t: float) -> bool | None:
        """Whether the pedal is where it rests; None if nothing tells."""
        for quantity in self._pedals:
            seen = self._travel.get(quantity)
            if seen is None:
                continue
            rest, most = seen
            now = self._held.near(quantity, t, 1.5)
            if now is None or most - rest < _PEDAL_MOVED_PCT:
                return None
            return now <= rest + (_THROTTLE_UP_PCT if quantity == "throttle_pct" else _PEDAL_UP_PCT)
        return None

    def _reported(self, t: float, percent: float, reference: float) -> EngineTorque:
        """Net torque with the convention as far as it is known; undecided, between the two and unsure."""
        friction_pct = self._held.near("friction_torque_pct", t, 10.0) if self._states_friction else None
        torque, net = from_reported(percent, reference, friction_pct), self._convention.net
        if net < 0.01:
            return torque
        friction = 0.01 * percent * reference - torque.nm
        unsure = friction * sqrt(net * (1.0 - net))
        return EngineTorque(
            torque.nm + net * friction, hypot(torque.bias_sd_nm, unsure), hypot(torque.scatter_sd_nm, unsure)
        )

    def forget(self) -> None:
        """The clock was set; the reference torque is kept."""
        self._held.forget()
        self._since.clear()
        self._turned_s = -inf

    def trim(self, before: float) -> None:
        self._held.trim(before)

    def engine(self, t: float, n: float) -> tuple[EngineTorque, str] | None:
        """Flywheel torque and where it is from: the best source that is answered, never two by turns."""
        for quantity in self._sources:
            fresh_s, per_turn = self._held.fresh_s(quantity), quantity in _PER_TURN
            value = self._held.near_turning(quantity, t, fresh_s, n, per_turn)
            if value is not None:
                found = self._from(quantity, value, t, n)
                if found is None and quantity == "engine_torque_pct" and t < self._reference_due_s:
                    return None
                if found is not None:
                    torque, nm_per_unit, source = found
                    scatter = hypot(torque.scatter_sd_nm, nm_per_unit * self._held.unsure(quantity, t))
                    return EngineTorque(torque.nm, torque.bias_sd_nm, scatter), source
            elif self._held.near(quantity, t, _HEARD_S) is not None:
                return None
        return None

    def _from(
        self, quantity: str, value: float, t: float, n: float
    ) -> tuple[EngineTorque, float, str] | None:
        """(torque, what a unit of the reading is worth in N m, name of the source)."""
        if quantity == "engine_torque_nm":
            return EngineTorque(value, 0.06 * abs(value), 4.0), 1.0, "reported"
        if quantity == "engine_torque_pct":
            if self._reference_nm is None:
                return None
            return self._reported(t, value, self._reference_nm), 0.01 * self._reference_nm, "reported"
        displacement, fuel = self._vehicle.displacement_l, self._vehicle.fuel
        if n < 300.0:
            return None
        if quantity == "fuel_rate_l_h":
            torque = from_fuel_rate(value, n, displacement, fuel)
        elif quantity == "air_flow_g_s":
            torque = from_air_flow(value, n, displacement, fuel)
        elif quantity == "calculated_load_pct":
            full = engine_torque_limit(self._vehicle, n) if self._vehicle.full_load_known else None
            if full is None:
                return None
            torque = from_calculated_load(value, n, full.value, displacement, fuel, self._air_share)
        elif displacement is not None:
            torque = from_absolute_load(value, n, displacement, fuel)
        else:
            return None
        # indicated torque goes with what is burnt
        worth = (max(torque.nm, 0.0) + self._friction_nm) / max(value, 1e-3)
        return torque, worth, TORQUE_SOURCES[quantity]

    def _guess(self, t: float) -> tuple[EngineTorque, str] | None:
        """Before the reference torque has been read: as if it were 1.15 times the engine's rating."""
        percent = self._held.near("engine_torque_pct", t, FRESH_S)
        if percent is None or self._rated_nm is None:
            return None
        guess = from_reported(percent, 1.15 * self._rated_nm)
        return EngineTorque(
            guess.nm, hypot(guess.bias_sd_nm, 0.15 * guess.nm), guess.scatter_sd_nm
        ), "reported"

    def _at_pump(
        self, t: float, n: float, n_rate: float
    ) -> tuple[float, EngineTorque, EngineTorque, bool] | None:
        """(pump torque [N m] as it is told, the engine's, what accessories take, whether it is reported)."""
        engine = self.engine(t, n) or self._guess(t)
        if engine is None:
            return None
        taken = accessories(n, self._vehicle.displacement_l)
        pump = pump_torque_nm(engine[0].nm, taken.nm, self._vehicle.inertia_kg_m2.value, n_rate)
        return pump, engine[0], taken, engine[1] == "reported"

    def told(self, t: float, n: float, n_rate: float) -> tuple[float | None, float]:
        """Pump torque [N m] and sd from what the engine tells, its zero put right; (None, 0) if nothing."""
        found = self._at_pump(t, n, n_rate)
        if found is None:
            return None, 0.0
        pump, (torque, bias, scatter), taken, reported = found
        if reported:  # by air, an idle with its spark held back is off by itself
            bias = hypot(min(bias, 0.06 * abs(torque - self.zero.nm)), min(bias, self.zero.sd_nm))
            pump -= self.zero.nm
        turning = self._vehicle.inertia_kg_m2.sd * n_rate * RPM_TO_RAD_S
        return pump, hypot(bias, scatter, taken.bias_sd_nm, turning)

    def plain(self, t: float, n: float, n_rate: float) -> tuple[float | None, float]:
        """Pump torque [N m] as the engine tells it, its zero where it is, and sd of its slow error."""
        found = self._at_pump(t, n, n_rate)
        if found is None:
            return None, 0.0
        pump, engine, taken, _ = found
        return pump, hypot(engine.bias_sd_nm, taken.bias_sd_nm)

    def pump(
        self, t: float, n: float, n_rate: float, per_m: float, v_m_s: float, a: float, a_sd: float
    ) -> tuple[float, float, bool]:
        """Pump torque [N m], sd and whether the engine told it (else the road) for the gear chain.

        per_m: turbine rad per metre in a middling gear.
        """
        pump, sd = self.told(t, n, n_rate)
        if pump is not None:
            return pump, sd, True
        force = sum(road_force(self._vehicle, v_m_s, a, per_m))
        sd = hypot(self._force_sd, self._drag_sd * v_m_s * v_m_s, self._mass * a_sd, self._mass_sd * a)
        if a < -0.7:  # brakes may be on: the engine need not hold the car back
            sd = hypot(sd, 0.5 * self._mass * a)
        return force / per_m, sd / per_m + 8.0, False

    def into(self, e: Estimate) -> None:
        t, n = e.time_s, e.engine_rpm
        e.pedal_pct = self._pedal(t, 2.5)
        brake = self._held.near("brake", t, 2.5)
        e.brake = None if brake is None else brake > 0.5
        engine = self.engine(t, n)
        if engine is None or n < RUNS_RPM:
            return
        (torque, _, sd), e.torque_source = engine
        e.engine_torque_nm = torque
        inertia = self._vehicle.inertia_kg_m2
        turning_sd = e.engine_accel_sd_rpm_s * RPM_TO_RAD_S
        taken = accessories(n, self._vehicle.displacement_l).nm
        e.pump_torque_nm = pump = pump_torque_nm(torque, taken, inertia.value, e.engine_accel_rpm_s)
        e.pump_torque_sd_nm = hypot(sd, inertia.value * turning_sd)  # inertia itself is off all drive alike
        if pump > 10.0:
            e.capacity_rpm_per_sqrt_nm = n / pump**0.5

    def ratio_into(self, e: Estimate) -> None:
        """Torque ratio from the road; needs road motion and pump torque."""
        if e.pump_torque_nm is None or e.road_speed_m_s is None or e.turbine_rad_per_m is None:
            return
        if e.pump_torque_nm < 10.0:
            return
        v = e.road_speed_m_s
        force = sum(road_force(self._vehicle, v, e.road_accel_m_s2, e.turbine_rad_per_m))
        sd = hypot(self._force_sd, self._drag_sd * v * v, self._mass * e.road_accel_sd_m_s2)
        through = e.turbine_rad_per_m * self._vehicle.efficiency.value
        turbine, turbine_sd = force / through, sd / through
        e.torque_ratio = turbine / e.pump_torque_nm
        e.torque_ratio_sd = hypot(turbine_sd, e.torque_ratio * e.pump_torque_sd_nm) / e.pump_torque_nm
