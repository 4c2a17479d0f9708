"""A scenario: one drawn vehicle, its fault, its driver and road, its control unit and the poller's habits.

`draw(fault, seed)` draws everything anew from the seed. The same seed gives the same vehicle whatever the
fault, so a fault can be compared with the sound vehicle. The fault decides causes, never outputs.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from math import pi
from random import Random
from typing import Any, Final

from livemon.errors import UsageError
from livemon.simulate.causes import Causes
from livemon.simulate.control_unit import UnitTruth
from livemon.simulate.draw_causes import causes_of
from livemon.simulate.draw_unit import PollPlan, poll_plan, unit_truth
from livemon.simulate.draw_vehicle import KINDS, vehicle
from livemon.simulate.driver import DriverTruth, Style
from livemon.simulate.engine import EngineTruth
from livemon.simulate.gearbox import GearboxTruth
from livemon.simulate.hydraulics import ConverterTruth, operating_point
from livemon.simulate.road import BodyTruth, RoadTruth
from livemon.simulate.world import World

FAULTS: Final = (
    "none", "stator_not_holding", "stator_seized", "lockup_shudder", "lockup_slip", "lockup_never_applied",
    "gear_slip", "engine_low_output", "driveline_drag", "misfire",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ShopNumbers:
    """What a workshop knows of the vehicle: catalogue numbers, each somewhat off the real thing."""

    name: str
    mass_kg: float
    tyre: str
    tyre_radius_m: float
    stall_speed_rpm: float
    stall_torque_ratio: float
    coupling_speed_ratio: float
    peak_torque_nm: float
    peak_torque_rpm: float
    lockup_slip_target_rpm: float
    gives_converter: bool
    gives_curve: bool
    gives_gears: bool


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything that determines a simulated drive. Same scenario, same frames, byte for byte."""

    fault: str
    seed: int
    severity: float  # 1 = what a workshop sees; 0.3 mild
    seconds: float
    kind: str
    body: BodyTruth
    engine: EngineTruth
    converter: ConverterTruth
    gearbox: GearboxTruth
    road: RoadTruth
    driver: DriverTruth
    causes: Causes
    unit: UnitTruth
    poll: PollPlan
    shop: ShopNumbers

    @property
    def expected(self) -> str:
        """The finding a perfect diagnosis ends with, given that the drive shows it."""
        return "none" if self.fault == "misfire" else self.fault

    def world(self) -> World:
        """The vehicle at rest at the start of the drive."""
        return World(
            self.engine, self.converter, self.gearbox, self.body, self.road,
            self.driver, self.causes, f"{self.seed}",
        )  # fmt: skip

    def vehicle_file_text(self) -> str:
        """The vehicle file a shop would write: catalogue numbers only."""
        s, e, g = self.shop, self.engine, self.gearbox
        lines = ["schema = 1", f'name = "{s.name}"', "", "[body]", f"mass_kg = {s.mass_kg:.0f}"]
        lines += ["", "[driveline]"]
        if s.gives_gears:
            lines += [
                f"gear_ratios = [{', '.join(f'{r:.3f}' for r in g.ratios)}]",
                f"final_drive = {g.final_drive:.2f}",
            ]
        lines += [f'tyre = "{s.tyre}"' if s.tyre else f"tyre_radius_m = {s.tyre_radius_m:.3f}"]
        lines += ["", "[engine]", f"displacement_l = {e.displacement_l:.1f}", f"cylinders = {e.cylinders}"]
        lines += [f'fuel = "{"diesel" if e.aspiration == "diesel_turbo" else "petrol"}"']
        if s.gives_curve:
            step = 500.0
            points = [(step * i, self._sea_level_nm(step * i)) for i in range(2, int(e.rated_rpm / step) + 1)]
            lines += [f"torque_curve = [{', '.join(f'[{n:.0f}, {t:.0f}]' for n, t in points)}]"]
        else:
            lines += [
                f"peak_torque_nm = {s.peak_torque_nm:.0f}",
                f"peak_torque_rpm = {s.peak_torque_rpm:.0f}",
            ]
        if s.gives_converter:
            lines += ["", "[converter]", f"stall_speed_rpm = {s.stall_speed_rpm:.0f}"]
            lines += [f"stall_torque_ratio = {s.stall_torque_ratio:.2f}"]
            if s.coupling_speed_ratio:
                lines += [f"coupling_speed_ratio = {s.coupling_speed_ratio:.2f}"]
            if s.lockup_slip_target_rpm and g.lock_plan != "full":
                lines += [f"lockup_slip_target_rpm = {s.lockup_slip_target_rpm:.0f}"]
        return "\n".join(lines) + "\n"

    def _sea_level_nm(self, rpm: float) -> float:
        return (
            replace(self.engine, air_share=1.0).full_load_nm(rpm)
            * self.shop.peak_torque_nm
            / self.engine.peak_torque_nm
        )


def draw(fault: str = "none", seed: int = 0, seconds: float | None = None, **choices: Any) -> Scenario:
    """Draw a scenario.

    choices: `severity` (1 workshop size, 0.3 mild), `style` (driver), `kind` (vehicle), and any field of
    PollPlan or UnitTruth by name (for example `readings_per_s=20`, `torque="air_flow"`).
    """
    if fault not in FAULTS:
        raise UsageError(
            f"one of {', '.join(FAULTS)}", repr(fault), "the fault to simulate", "name one of these"
        )
    vehicles, trip = Random(f"{seed}:vehicle"), Random(f"{seed}:trip")
    units, faults, shops = Random(f"{seed}:unit"), Random(f"{seed}:fault:{fault}"), Random(f"{seed}:shop")
    kind = choices.pop("kind", None) or vehicles.choice(tuple(KINDS))
    body, engine, converter, gearbox = vehicle(kind, vehicles)
    styles: tuple[Style, ...] = (
        "mixed",
        "mixed",
        "mixed",
        "mixed",
        "road_test",
        "town",
        "town",
        "delivery",
        "highway",
    )
    style: Style = trip.choice(styles)
    style = choices.pop("style", None) or style
    severity = choices.pop("severity", None)
    if severity is None:
        severity = faults.uniform(0.8, 1.25)
    nominal_kg = body.mass_kg
    nominal_radius = body.tyre_radius_m
    load = trip.choice((0.0, 75.0, 150.0, 300.0)) + trip.uniform(-60.0, 80.0)
    if kind in ("van", "pickup") and trip.random() < 0.4:
        load += trip.uniform(100.0, 800.0)
    # catalogue radius is the file's; the tyre on the car is worn, pumped and another make
    body = replace(
        body, mass_kg=nominal_kg + 75.0 + load, tyre_radius_m=nominal_radius * (1.0 + trip.uniform(-0.02, 0.012)),
        air_density_kg_m3=1.2 * (0.5 + 0.5 * engine.air_share) * trip.uniform(0.95, 1.05),
    )  # fmt: skip
    road = RoadTruth(
        grade_rms=abs(trip.gauss(0.018, 0.008)), grade_length_m=trip.uniform(120.0, 600.0),
        wind_m_s=trip.gauss(0.0, 3.0), gust_m_s=trip.uniform(0.2, 1.5),
    )  # fmt: skip
    hurry = trip.random()
    driver = DriverTruth(
        style=style, pedal_lag_s=trip.uniform(0.3, 1.0), wobble=trip.uniform(0.0, 0.08), hurry=hurry,
        top_kmh=min(130.0, trip.uniform(80.0, 125.0)),
        trace=choices.pop("trace", ()),
    )  # fmt: skip
    unit = unit_truth(units, engine, gearbox, nominal_radius, fault)
    poll = poll_plan(units, unit)
    unit, poll = _choose(unit, choices), _choose(poll, choices)
    if choices:
        raise UsageError(
            "a choice of the scenario, the poller or the control unit", ", ".join(choices), "simulate.scenario.draw",
            "see the fields of PollPlan and UnitTruth",
        )  # fmt: skip
    causes = causes_of(fault, severity, faults, engine, gearbox, body, converter.geometry)
    default_s = trip.choice((240.0, 300.0, 420.0, 600.0, 900.0, 1200.0))
    return Scenario(
        fault, seed, severity, default_s if seconds is None else seconds, kind, body, engine, converter, gearbox,
        road, driver, causes, unit, poll, _shop(shops, seed, kind, engine, converter, nominal_kg, nominal_radius, gearbox),
    )  # fmt: skip


def _choose(record: Any, choices: dict[str, Any]) -> Any:
    mine = {f.name: choices.pop(f.name) for f in fields(record) if f.name in choices}
    return replace(record, **mine) if mine else record


def _shop(
    rng: Random, seed: int, kind: str, engine: EngineTruth, converter: ConverterTruth, mass_kg: float, radius_m: float,
    gearbox: GearboxTruth,
) -> ShopNumbers:  # fmt: skip
    """Catalogue numbers: rounded, measured on another car, stall as the manual states it."""
    wheel = converter.geometry
    capacity, ratio = operating_point(wheel, 0.0, "working")
    capacity *= converter.scale * converter.bend(0.0)
    low, high = 800.0, engine.rated_rpm
    sea = replace(engine, air_share=1.0)
    for _ in range(40):  # stall: engine torque meets converter torque
        middle = 0.5 * (low + high)
        if sea.full_load_nm(middle) - engine.accessory_nm > capacity * (middle * pi / 30.0) ** 2:
            low = middle
        else:
            high = middle
    coupling = next(
        i / 100 for i in range(60, 101) if operating_point(wheel, i / 100, "working")[1] <= 1.0001
    )
    peak_at = max(range(1000, int(engine.rated_rpm), 100), key=lambda n: sea.full_load_nm(float(n)))
    peak = max(sea.full_load_nm(float(n)) for n in range(1000, int(engine.rated_rpm), 100))
    tyre = ""
    if rng.random() < 0.6:
        tyre = _tyre(radius_m, rng)
    words = {"small_car": "Wren", "sedan": "Heron", "suv": "Bittern", "van": "Pelican", "pickup": "Osprey"}
    return ShopNumbers(
        name=f"{words[kind]} {engine.displacement_l:.1f} {len(gearbox.ratios)}-speed no. {seed}",
        mass_kg=round((mass_kg * (1.0 + rng.gauss(0.0, 0.02)) + 100.0) / 10.0) * 10.0,
        tyre=tyre,
        tyre_radius_m=radius_m,
        stall_speed_rpm=round(low * (1.0 + rng.gauss(0.0, 0.025)) / 50.0) * 50.0,
        stall_torque_ratio=round(ratio * (1.0 + rng.gauss(0.0, 0.03)) / 0.05) * 0.05,
        coupling_speed_ratio=round(coupling + rng.gauss(0.0, 0.015), 2) if rng.random() < 0.5 else 0.0,
        peak_torque_nm=round(peak * (1.0 + rng.gauss(0.0, 0.015))),
        peak_torque_rpm=float(peak_at),
        lockup_slip_target_rpm=gearbox.slip_target_rpm if rng.random() < 0.4 else 0.0,
        gives_converter=rng.random() < 0.95,
        gives_curve=rng.random() < 0.4,
        gives_gears=rng.random() < 0.92,
    )


def _tyre(radius_m: float, rng: Random) -> str:
    """The standard size whose rolling radius (0.96 of free radius) comes nearest, of three rim sizes."""
    best, name = 9.0, ""
    for rim in rng.sample(range(14, 21), 4):
        for width in range(175, 285, 10):
            for aspect in (40, 45, 50, 55, 60, 65, 70, 75):
                off = abs((rim * 0.0254 / 2 + width * aspect * 1e-5) * 0.96 - radius_m)
                if off < best and 0.09 < width * aspect * 1e-5 < 0.19:
                    best, name = off, f"{width}/{aspect}R{rim}"
    return name
