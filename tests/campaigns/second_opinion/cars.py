"""Drawing one vehicle: what it really is, and the file a shop would write about it."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import pi
from random import Random

from .tables import Shape, Table, line, perturbed, published, table

STATOR = ("stator_not_holding", "stator_seized")
CONVERTER_FAULTS = (*STATOR, "lockup_shudder", "lockup_slip", "lockup_never_applied")
OTHER_FAULTS = ("gear_slip", "engine_low_output", "driveline_drag")
FAULTS = ("none", *CONVERTER_FAULTS, *OTHER_FAULTS)

# Full-load torque over its peak, against engine speed [rpm]; from memory, typical of the kinds.
FULL_LOAD = {
    "aspirated": ((700, 0.62), (1500, 0.78), (2500, 0.9), (4000, 1.0), (5000, 0.96), (6200, 0.8)),
    "turbo": ((700, 0.42), (1200, 0.68), (1700, 0.99), (2500, 1.0), (4500, 0.98), (6000, 0.72)),
    "diesel": ((700, 0.45), (1200, 0.72), (1700, 1.0), (2600, 1.0), (3500, 0.82), (4400, 0.6)),
}
RATIOS = (
    (2.85, 1.55, 1.0, 0.7),
    (3.06, 1.63, 1.0, 0.7),
    (3.55, 2.04, 1.4, 1.0, 0.71),
    (4.1, 2.37, 1.55, 1.16, 0.86, 0.69),
    (4.55, 2.96, 1.91, 1.45, 1.0, 0.75),
    (4.7, 3.1, 2.1, 1.67, 1.29, 1.0, 0.84, 0.67),
    (5.2, 3.25, 2.2, 1.75, 1.4, 1.0, 0.8, 0.66, 0.58),
)
MANUAL_RATIOS = ((3.6, 2.0, 1.35, 1.0, 0.8), (3.8, 2.1, 1.3, 0.95, 0.75, 0.63))
TYRES = ("195/65R15", "205/55R16", "225/55R17", "235/50R18", "225/65R17", "265/60R18", "215/60R16")


@dataclass(frozen=True)
class Fault:
    """A fault with its drawn severity; the meaning of `size` and `rate` depends on the name."""

    name: str = "none"
    size: float = 0.0
    rate: float = 0.0
    gear: int = 0
    reported: bool = False  # engine_low_output: the engine knows and says that it makes less


@dataclass(frozen=True)
class Car:
    """The truth about one vehicle."""

    kind: str  # "converter", "manual" or "dual_clutch"
    engine: str
    fuel: str
    displacement_l: float
    full_load: tuple[tuple[float, float], ...]  # rpm, N m at the flywheel, as this engine makes it
    rated: tuple[tuple[float, float], ...]  # the same as rated
    idle_rpm: float
    redline_rpm: float
    engine_lag_s: float
    pedal_power: float
    inertia_kg_m2: float
    accessories_nm: float
    mass_kg: float
    file_mass_kg: float
    drag_area_m2: float
    rolling: float
    tyre: str
    radius_m: float
    ratios: tuple[float, ...]
    final_drive: float
    efficiency: float
    shape: Shape
    k0: float
    table: Table = field(repr=False)
    lock_gear: int
    lock_m_s: float
    lock_slip_rpm: float
    lock_in_shifts: bool
    lock_in_coast: bool
    shift_low_rpm: float
    turbine_inertia_kg_m2: float
    surge_hz: float  # wind-up resonance of the locked driveline in top gear
    surge_damping: float
    stop_start: bool
    stop_neutral: bool  # the forward clutch opens at standstill with the brake on
    fault: Fault


def free_radius_m(tyre: str) -> float:
    """Radius of the unloaded tyre from its size, e.g. 225/55R17."""
    width, rest = tyre.split("/")
    aspect, rim = rest.split("R")
    return float(width) * float(aspect) * 1e-5 + float(rim) * 0.0127


def draw_fault(name: str, rng: Random, gears: int) -> Fault:
    """Severity of the named fault."""
    if name == "lockup_shudder":
        return Fault(name, rng.uniform(20.0, 80.0), rng.uniform(5.0, 15.0))
    if name == "lockup_slip":
        return Fault(name, rng.uniform(60.0, 250.0))
    if name == "gear_slip":
        return Fault(name, rng.uniform(0.08, 0.2), gear=rng.randint(1, gears))
    if name == "engine_low_output":
        return Fault(name, rng.uniform(0.2, 0.35), reported=rng.random() < 0.4)
    if name == "driveline_drag":
        return Fault(name, rng.uniform(300.0, 900.0))
    return Fault(name)


def draw(rng: Random, fault: str, kind: str) -> Car:
    """One vehicle of the kind, with the fault."""
    engine = rng.choice(("aspirated", "turbo", "diesel", "aspirated", "turbo"))
    fuel = "diesel" if engine == "diesel" else "petrol"
    if engine == "aspirated":
        litres, per_litre = rng.choice((1.6, 1.8, 2.0, 2.4, 2.5, 3.0, 3.5, 3.6, 5.0)), rng.uniform(92, 106)
    elif engine == "turbo":
        litres, per_litre = rng.choice((1.2, 1.4, 1.5, 1.8, 2.0, 2.7)), rng.uniform(140, 185)
    else:
        litres, per_litre = rng.choice((1.6, 2.0, 2.2, 3.0)), rng.uniform(150, 200)
    peak = 5.0 * round(litres * per_litre / 5.0)
    stretch = rng.uniform(0.92, 1.08)
    rated = tuple((round(rpm * stretch, -1), peak * share) for rpm, share in FULL_LOAD[engine])
    health = rng.gauss(1.0, 0.025)
    ratios = rng.choice(RATIOS if kind == "converter" else MANUAL_RATIOS)
    tyre = rng.choice(TYRES)
    radius = free_radius_m(tyre) * rng.uniform(0.955, 0.985)
    # Top gear turns the engine at 17-27 rpm per km/h, slower for stronger engines.
    top = min(27.0, max(16.0, rng.gauss(21.0 - 0.012 * (peak - 250.0), 1.5)))
    final = min(top * 3.6 * 2.0 * pi / 60.0 * radius / ratios[-1], 17.0 / ratios[0])
    final = round(final, 2)
    file_mass = round(rng.uniform(3.9, 6.2) * peak + 500.0, -1) if peak < 330 else rng.uniform(1600.0, 2700.0)
    file_mass = round(min(2900.0, max(1050.0, file_mass)), -1)
    shapes = published()
    shape = rng.choice(shapes)
    if rng.random() < 0.6:
        shape = perturbed(shape, rng)
    aimed_stall = rng.uniform(1800.0, 2600.0) if fuel == "petrol" else rng.uniform(1600.0, 2200.0)
    k0 = aimed_stall / line(rated, aimed_stall) ** 0.5
    state = {"stator_not_holding": "lost", "stator_seized": "seized"}.get(fault, "working")
    size = file_mass / 1500.0
    return Car(
        kind=kind,
        engine=engine,
        fuel=fuel,
        displacement_l=litres,
        full_load=tuple((rpm, torque * health) for rpm, torque in rated),
        rated=rated,
        idle_rpm=rng.uniform(620.0, 800.0),
        redline_rpm=rated[-1][0],
        engine_lag_s=rng.uniform(0.06, 0.15) if engine == "aspirated" else rng.uniform(0.12, 0.4),
        pedal_power=rng.uniform(0.8, 1.35),
        inertia_kg_m2=rng.uniform(0.07, 0.11) * (peak / 100.0) ** 0.6 + rng.uniform(0.06, 0.12),
        accessories_nm=rng.uniform(2.0, 12.0),
        mass_kg=file_mass * rng.uniform(0.9, 1.15),
        file_mass_kg=file_mass,
        drag_area_m2=rng.uniform(0.58, 0.78) * size**0.5,
        rolling=rng.uniform(0.0075, 0.013),
        tyre=tyre,
        radius_m=radius,
        ratios=ratios,
        final_drive=final,
        efficiency=rng.uniform(0.88, 0.95),
        shape=shape,
        k0=k0,
        table=table(shape, k0, state, rng),
        lock_gear=rng.choice((2, 3)) if len(ratios) > 4 else rng.choice((3, 4)),
        lock_m_s=rng.uniform(9.0, 16.0),
        lock_slip_rpm=rng.choice((0.0, 0.0, rng.uniform(15.0, 40.0))),
        lock_in_shifts=rng.random() < 0.5,
        lock_in_coast=False,
        shift_low_rpm=rng.uniform(1450.0, 1800.0) if fuel == "petrol" else rng.uniform(1350.0, 1600.0),
        turbine_inertia_kg_m2=rng.uniform(0.05, 0.09),
        surge_hz=rng.uniform(4.5, 9.5),
        surge_damping=rng.uniform(0.2, 0.5),
        stop_start=rng.random() < 0.08,
        stop_neutral=rng.random() < 0.08,
        fault=draw_fault(fault, rng, len(ratios)),
    )


def stall_rpm(car: Car) -> float:
    """Where the rated full load meets the converter's capacity at stall."""
    low, high = 500.0, 5000.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if line(car.rated, middle) > (middle / car.k0) ** 2:
            low = middle
        else:
            high = middle
    return low


def vehicle_text(car: Car, rng: Random) -> str:
    """The vehicle file a shop would write; not every shop knows everything."""
    lines = ["schema = 1", f'name = "invented {car.engine} {car.displacement_l:g}"', "", "[body]"]
    lines.append(f"mass_kg = {car.file_mass_kg:.0f}")
    if rng.random() < 0.5:
        lines.append(f"drag_area_m2 = {car.drag_area_m2 * rng.uniform(0.93, 1.07):.2f}")
    lines += ["", "[driveline]", f"gear_ratios = {list(car.ratios)}", f"final_drive = {car.final_drive}"]
    if rng.random() < 0.7:
        lines.append(f'tyre = "{car.tyre}"')
    else:
        lines.append(f"tyre_radius_m = {car.radius_m * rng.gauss(1.0, 0.007):.3f}")
    lines += ["", "[engine]", f"displacement_l = {car.displacement_l}", f'fuel = "{car.fuel}"']
    if rng.random() < 0.5:
        curve = ", ".join(f"[{rpm:.0f}, {torque:.0f}]" for rpm, torque in car.rated)
        lines.append(f"torque_curve = [{curve}]")
    else:
        peak_rpm, peak = max(car.rated, key=lambda point: point[1])
        lines.append(f"peak_torque_nm = {peak:.0f}")
        if rng.random() < 0.7:
            lines.append(f"peak_torque_rpm = {peak_rpm:.0f}")
    if car.kind == "converter" and rng.random() < 0.85:
        lines += ["", "[converter]", f"stall_speed_rpm = {50.0 * round(stall_rpm(car) / 50.0):.0f}"]
        if rng.random() < 0.8:
            lines.append(f"stall_torque_ratio = {car.shape.rows[0][2]:.2f}")
        if rng.random() < 0.4:
            lines.append(f"coupling_speed_ratio = {car.shape.coupling:.2f}")
        if rng.random() < 0.6:
            lines.append(f"lockup_slip_target_rpm = {5.0 * round(car.lock_slip_rpm / 5.0):.0f}")
    return "\n".join(lines) + "\n"
