"""From a fault's name and severity to worn parts. Severity 1 is what brings a car to a workshop."""

from __future__ import annotations

from random import Random

from livemon.simulate.causes import Causes
from livemon.simulate.engine import EngineFault, EngineTruth
from livemon.simulate.gearbox import GearboxTruth
from livemon.simulate.hydraulics import Geometry, operating_point
from livemon.simulate.road import BodyTruth


def causes_of(
    fault: str,
    severity: float,
    rng: Random,
    engine: EngineTruth,
    gearbox: GearboxTruth,
    body: BodyTruth,
    wheel: Geometry,
    shown: bool = False,
) -> Causes:
    """Worn parts for one fault, in a gear that every drive uses if it is to be `shown`.

    Numbers are common practice, no source, unless a physical law gives them.
    """
    s = severity
    if fault == "stator_not_holding":
        if s < 0.7 or rng.random() < 0.3:  # carries part of the reaction, slipping backwards
            return Causes(stator="lost", stator_grip=min(0.85, max(0.0, 1.0 - 0.75 * s)))
        if rng.random() < 0.25:  # holds a light reaction, gives way under torque
            ratio = operating_point(wheel, 0.0, "working")[1]
            return Causes(
                stator="lost",
                stator_grip=0.0,
                stator_gives_way_nm=0.2 * engine.peak_torque_nm * (ratio - 1.0) / s,
            )
        return Causes(stator="lost", stator_grip=0.0)
    if fault == "stator_seized":
        return Causes(stator="seized")
    if fault == "lockup_shudder":
        # Friction that falls with sliding speed, and a regulator valve that hunts in its worn bore. Where the
        # control applies the clutch fully, wear has also eaten the spare capacity, or it would never slide.
        spare = 1.0 if gearbox.lock_plan == "slip_only" else rng.uniform(0.72, 0.98) / gearbox.lock_margin
        return Causes(
            clutch_friction=min(1.0, spare * rng.uniform(0.92, 1.05)),
            clutch_fall=min(0.6, 0.3 * s * rng.uniform(0.3, 1.4)),
            clutch_fall_rad_s=rng.uniform(1.5, 5.0),
            valve_hunt=min(0.7, 0.36 * s * rng.uniform(0.7, 1.4)),
            valve_hunt_hz=rng.uniform(4.5, 14.0),
        )
    if fault == "lockup_slip":
        return Causes(
            clutch_friction=max(0.5, 1.0 - 0.2 * s * rng.uniform(0.5, 1.5)),
            clutch_limit_nm=_cruise_nm(gearbox, body) * rng.uniform(0.2, 0.6) / s,
        )
    if fault == "lockup_never_applied":
        return Causes(clutch_applies=False)
    if fault == "gear_slip":
        low_gears = range(1, min(3 if shown else 4, len(gearbox.ratios)) + 1)
        gear = rng.choice(low_gears) if shown or rng.random() < 0.8 else len(gearbox.ratios)
        return Causes(
            slipping_gear=gear,
            gear_capacity_nm=_pull_nm(gearbox, body, gear, 0.3 * rng.uniform(0.7, 1.3) / s),
            gear_pressure_share=rng.uniform(0.25, 0.5) / s,
        )
    if fault == "engine_low_output":
        loss = min(0.6, 0.33 * s * rng.uniform(0.85, 1.3))
        if rng.random() < 0.6:
            return Causes(engine=EngineFault(burn_share=1.0 - loss))
        return Causes(engine=EngineFault(air_share=1.0 - min(0.6, 1.2 * loss)))
    if fault == "driveline_drag":
        force = body.mass_kg * 9.81 * 0.03 * s * rng.uniform(0.8, 1.4)
        hot = rng.choice((0.0, 0.5)) * force
        return Causes(drag_n=force - 0.5 * hot, drag_hot_n=hot)
    if fault == "misfire":
        return Causes(engine=EngineFault(misfire_share=min(0.9, 0.35 * s)))
    return Causes()


def _cruise_nm(gearbox: GearboxTruth, body: BodyTruth) -> float:
    """Turbine torque that a level road asks for at 80 km/h in top gear [N m]."""
    v = 80.0 / 3.6
    force = body.mass_kg * 9.81 * body.rolling_resistance + 0.6 * body.drag_area_m2 * v * v
    return force * body.tyre_radius_m / (gearbox.final_drive * gearbox.ratios[-1] * gearbox.efficiency)


def _pull_nm(gearbox: GearboxTruth, body: BodyTruth, gear: int, accel_m_s2: float) -> float:
    """Turbine torque that this acceleration on a level road asks for in this gear [N m]."""
    force = body.mass_kg * (accel_m_s2 + 9.81 * body.rolling_resistance)
    return force * body.tyre_radius_m / (gearbox.final_drive * gearbox.ratios[gear - 1] * gearbox.efficiency)
