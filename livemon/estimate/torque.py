"""Engine torque and pump torque from what the vehicle reports, torque ratio from the road."""

from __future__ import annotations

from livemon.quantities import RPM_TO_RAD_S
from livemon.records import Estimate
from livemon.vehicle import Vehicle


class Torque:
    """Holds the newest torque readings; writes torque fields into an Estimate."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._vehicle = vehicle
        self._held: dict[str, tuple[float, float]] = {}

    def add(self, t: float, quantity: str, value: float) -> None:
        self._held[quantity] = (t, value)

    def _get(self, quantity: str, t: float, stale_s: float) -> float | None:
        held = self._held.get(quantity)
        return held[1] if held and abs(t - held[0]) < stale_s else None

    def driving(self, t: float) -> float:
        return 0.5

    def into(self, e: Estimate) -> None:
        t = e.time_s
        e.pedal_pct = self._get("pedal_pct", t, 2.5)
        percent = self._get("engine_torque_pct", t, 1.5)
        reference = self._get("reference_torque_nm", t, 1e9)
        if percent is None or reference is None:
            return
        friction = self._get("friction_torque_pct", t, 5.0) or 0.0
        e.engine_torque_nm = (percent - friction) * 0.01 * reference
        e.engine_torque_sd_nm = 3.0
        e.torque_source = "reported"
        inertia = self._vehicle.inertia_kg_m2
        load = inertia.value * e.engine_accel_rpm_s * RPM_TO_RAD_S
        e.pump_torque_nm = e.engine_torque_nm - load - 5.0
        e.pump_torque_sd_nm = (
            9.0
            + (inertia.value * e.engine_accel_sd_rpm_s * RPM_TO_RAD_S) ** 2
            + (inertia.sd * e.engine_accel_rpm_s * RPM_TO_RAD_S) ** 2
            + 9.0
        ) ** 0.5
        if e.pump_torque_nm > 10.0:
            e.capacity_rpm_per_sqrt_nm = e.engine_rpm / e.pump_torque_nm**0.5

    def ratio_into(self, e: Estimate) -> None:
        pass
