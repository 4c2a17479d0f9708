"""Draws whole vehicles: body, engine, converter and gearbox that fit each other. All invented."""

from __future__ import annotations

from math import log, pi, sqrt
from random import Random
from typing import NamedTuple

from livemon.simulate.engine import Aspiration, EngineTruth, Lag, PedalMap
from livemon.simulate.gearbox import GearboxTruth, LockPlan
from livemon.simulate.hydraulics import ConverterTruth, Geometry, operating_point
from livemon.simulate.road import BodyTruth

Range = tuple[float, float]


class Kind(NamedTuple):
    """What vehicles of one kind have in common."""

    mass_kg: Range
    drag_area_m2: Range
    kw_per_tonne: Range
    tyre_radius_m: Range
    gears: tuple[int, ...]
    engines: str  # letters of ENGINES, by weight


KINDS: dict[str, Kind] = {
    "small_car": Kind((1050, 1450), (0.58, 0.74), (50, 85), (0.285, 0.310), (4, 5, 6), "pppt"),
    "sedan": Kind((1400, 1900), (0.60, 0.80), (60, 120), (0.305, 0.335), (4, 5, 6, 6, 8), "ppttd"),
    "suv": Kind((1650, 2450), (0.82, 1.12), (55, 110), (0.335, 0.375), (4, 5, 6, 8, 9), "pptdd"),
    "van": Kind((1900, 3200), (1.15, 1.6), (36, 60), (0.325, 0.36), (4, 5, 6, 7), "pddd"),
    "pickup": Kind((1900, 2900), (1.05, 1.4), (55, 105), (0.365, 0.405), (4, 5, 6, 8, 10), "pppd"),
}
ENGINES: dict[str, Aspiration] = {"p": "petrol", "t": "petrol_turbo", "d": "diesel_turbo"}


def geometry(rng: Random) -> Geometry:
    """A converter wheel. Its stator inlet angle decides most what is left when the reaction is lost.

    Stall torque ratios lie between about 1.7 and 2.5 ([ADVISOR] 2.0, [VECTO] 1.8, [CO2MPAS] 1.9).
    """
    wanted = rng.uniform(1.66, 2.4)
    best, off = Geometry(), 9.0
    for _ in range(80):
        g = Geometry(
            turbine_radius_m=0.066 * rng.uniform(0.97, 1.06),
            pump_exit_deg=rng.uniform(-25.0, 24.0),
            turbine_exit_deg=rng.uniform(-62.0, -40.0),
            stator_exit_deg=rng.uniform(40.0, 62.0),
            pump_inlet_deg=rng.uniform(-42.0, -18.0),
            turbine_inlet_deg=rng.uniform(45.0, 59.0),
            stator_inlet_deg=rng.uniform(-50.0, 18.0),
            shock=rng.uniform(0.85, 1.1),
            friction=rng.uniform(0.18, 0.4),
        )
        held, ratio = operating_point(g, 0.0, "working")
        free, _ = operating_point(g, 0.0, "lost")
        far, _ = operating_point(g, 0.8, "working")
        possible = 0.55 <= sqrt(held / free) <= 0.9 and 1.14 < sqrt(held / far) < 1.40
        if possible and abs(ratio - wanted) < off:
            best, off = g, abs(ratio - wanted)
            if off < 0.05:
                break
    return best


def gear_ratios(n: int, rng: Random) -> tuple[float, ...]:
    """First to last, steps closing up toward the top, as step automatics have them."""
    first = {
        4: (2.6, 3.0),
        5: (3.0, 3.9),
        6: (3.5, 4.3),
        7: (3.9, 4.5),
        8: (4.2, 4.9),
        9: (4.5, 4.9),
        10: (4.5, 4.9),
    }[n]
    last = {
        4: (0.66, 0.76),
        5: (0.70, 0.84),
        6: (0.64, 0.75),
        7: (0.68, 0.76),
        8: (0.60, 0.68),
        9: (0.55, 0.64),
        10: (0.57, 0.65),
    }[n]
    low, high = rng.uniform(*first), rng.uniform(*last)
    q = rng.uniform(0.10, 0.26)
    weights = [1.0 + q * (n - 2 - k) + rng.uniform(-0.06, 0.06) for k in range(n - 1)]
    total = sum(weights)
    out, at = [low], log(low)
    for w in weights:
        at += log(high / low) * w / total
        out.append(2.718281828459045**at)
    return tuple(round(x, 3) for x in out)


def vehicle(kind: str, seed: int) -> tuple[BodyTruth, EngineTruth, ConverterTruth, GearboxTruth]:
    """Body, engine, converter and gearbox. Each from its own stream, so that changing one leaves the rest."""
    rng = Random(f"{seed}:body and engine")
    wheels, boxes = Random(f"{seed}:converter"), Random(f"{seed}:gearbox")
    masses, areas, powers, radii, gears, engines = KINDS[kind]
    share = rng.random()
    mass = masses[0] + share * (masses[1] - masses[0])
    body = BodyTruth(
        mass_kg=mass,
        drag_area_m2=rng.uniform(*areas),
        rolling_resistance=rng.uniform(0.0068, 0.0118),
        rolling_per_m_s=rng.uniform(0.0, 1.2e-4),
        tyre_radius_m=rng.uniform(*radii),
        wheel_inertia_kg_m2=rng.uniform(3.0, 6.0),
        air_density_kg_m3=1.2,
    )
    aspiration = ENGINES[rng.choice(engines)]
    power_w = rng.uniform(*powers) * mass
    rated = {"petrol": (5500.0, 6600.0), "petrol_turbo": (5300.0, 6300.0), "diesel_turbo": (4000.0, 4700.0)}[
        aspiration
    ]
    rated_rpm = round(rng.uniform(*rated) / 50.0) * 50.0
    at_peak_power = {"petrol": 0.94, "petrol_turbo": 0.85, "diesel_turbo": 0.87}[aspiration]
    share_there = {"petrol": 0.87, "petrol_turbo": 0.86, "diesel_turbo": 0.77}[aspiration]
    peak_nm = power_w / (rated_rpm * at_peak_power * pi / 30.0) / share_there
    per_litre = {"petrol": (86, 103), "petrol_turbo": (140, 185), "diesel_turbo": (145, 200)}[aspiration]
    litres = round(peak_nm / rng.uniform(*per_litre), 1)
    litres = max(1.0, litres)
    cylinders = (
        3
        if litres < 1.3
        else 4
        if litres < 2.5
        else rng.choice((4, 5, 6))
        if litres < 3.0
        else 6
        if litres < 4.2
        else 8
    )
    diesel = aspiration == "diesel_turbo"
    maps: tuple[PedalMap, ...] = ("torque_share", "throttle", "power_like")
    lags: tuple[Lag, ...] = ("first_order", "two_stage", "rate_limit", "dead_time")
    idle = round(rng.uniform(620, 780) / 10.0) * 10.0
    engine = EngineTruth(
        aspiration=aspiration,
        displacement_l=litres,
        cylinders=cylinders,
        peak_torque_nm=peak_nm,
        rated_rpm=rated_rpm,
        idle_rpm=idle,
        inertia_kg_m2=(0.09 + 0.045 * litres) * rng.uniform(0.85, 1.2) * (1.35 if diesel else 1.0),
        shape_bend=rng.uniform(-0.08, 0.08),
        pedal_map=rng.choice(maps),
        pedal_exponent=rng.uniform(0.8, 1.25),
        lag=rng.choice(lags),
        lag_s=rng.uniform(0.06, 0.2),
        boost_lag_s=rng.uniform(0.3, 1.1),
        air_share=rng.choice((1.0, 1.0, 0.98, 0.95, 0.88, 0.82)),
        accessory_nm=rng.uniform(2.0, 6.0) + 1.2 * litres,
        accessory_extra_nm=rng.uniform(3.0, 14.0),
        cut_rpm=idle + rng.uniform(350.0, 900.0),
    )
    wheel = geometry(wheels)
    stalls = {"petrol": (1900, 2750), "petrol_turbo": (1950, 2700), "diesel_turbo": (1600, 2350)}[aspiration]
    stall_rpm = wheels.uniform(*stalls)
    stall_nm = engine.full_load_nm(stall_rpm) - engine.accessory_nm
    scale = stall_nm / (operating_point(wheel, 0.0, "working")[0] * (stall_rpm * pi / 30.0) ** 2)
    converter = ConverterTruth(
        wheel,
        scale,
        wheels.gauss(0.0, 0.045),
        wheels.gauss(0.0, 0.03),
        sag=wheels.gauss(0.06, 0.07),
        fade=wheels.uniform(0.06, 0.12),
        overrun=wheels.uniform(1.0, 4.5),
    )
    return body, engine, converter, _gearbox(kind, boxes, gears, engine, body)


def _gearbox(
    kind: str, rng: Random, gears: tuple[int, ...], engine: EngineTruth, body: BodyTruth
) -> GearboxTruth:
    ratios = gear_ratios(rng.choice(gears), rng)
    diesel = engine.aspiration == "diesel_turbo"
    top = {
        4: (25.5, 32.5),
        5: (24.0, 30.0),
        6: (22.5, 28.5),
        7: (22.0, 27.5),
        8: (20.5, 26.5),
        9: (20.0, 25.0),
        10: (20.5, 25.0),
    }[len(ratios)]
    rpm_per_mph = rng.uniform(*top) * (0.92 if diesel else 1.0)
    final = rpm_per_mph * 2.0 * pi * body.tyre_radius_m / (60.0 * 0.44704) / ratios[-1]
    plans: tuple[LockPlan, ...] = ("full", "full", "slip_then_full", "slip_only")
    low = rng.uniform(1450, 1900) * (0.88 if diesel else 1.0)
    lock_on = rng.uniform(1080, 1420) * (0.92 if diesel else 1.0)
    quick = rng.uniform(0.3, 0.45)
    return GearboxTruth(
        ratios=ratios,
        final_drive=round(final, 2),
        efficiency=rng.uniform(0.90, 0.96),
        turbine_inertia_kg_m2=rng.uniform(0.08, 0.15) + 0.008 * engine.displacement_l,
        spin_loss_nm=rng.uniform(1.0, 4.0),
        up_rpm=(low, engine.rated_rpm * rng.uniform(0.84, 0.97)),
        down_share=rng.uniform(0.66, 0.84),
        pedal_power=rng.uniform(1.1, 2.2),
        shift_s=(quick, rng.uniform(quick + 0.1, 0.8)),
        torque_phase=rng.uniform(0.2, 0.45),
        lock_plan=rng.choice(plans),
        lock_from_gear=rng.choice((2, 3, 3, 4)) if len(ratios) > 5 else rng.choice((2, 3, 3)),
        lock_on_rpm=lock_on,
        lock_off_rpm=lock_on - rng.uniform(120.0, 260.0),
        lock_pedal_off=rng.uniform(0.55, 1.05),
        lock_delay_s=rng.uniform(0.5, 1.8),
        lock_apply_s=rng.uniform(0.5, 1.6),
        slip_target_rpm=round(rng.uniform(20.0, 55.0) / 5.0) * 5.0,
        lock_margin=rng.uniform(1.25, 1.8),
        wheel_stiffness_nm_rad=rng.uniform(3000.0, 7000.0) * (1.3 if kind in ("van", "pickup") else 1.0),
        shaft_damping=rng.uniform(0.1, 0.3),
        neutral_at_stop=rng.random() < 0.1,
        skip_shifts=rng.random() < 0.4,
    )
