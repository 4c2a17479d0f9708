"""A scenario: one drawn vehicle, its fault, its driver and road, its control unit and the poller's habits.

`draw(fault, seed)` draws everything anew from the seed. The same seed gives the same vehicle whatever the
fault, so a fault can be compared with the sound vehicle. The fault decides causes, never outputs.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from random import Random
from typing import Any, Final

from livemon.errors import UsageError
from livemon.simulate.causes import Causes
from livemon.simulate.control_unit import UnitTruth
from livemon.simulate.draw_causes import causes_of
from livemon.simulate.draw_shop import ShopNumbers, shop_numbers
from livemon.simulate.draw_unit import PollPlan, poll_plan, unit_truth
from livemon.simulate.draw_vehicle import KINDS, vehicle
from livemon.simulate.driver import DriverTruth, Style
from livemon.simulate.engine import EngineTruth
from livemon.simulate.gearbox import GearboxTruth
from livemon.simulate.hydraulics import ConverterTruth
from livemon.simulate.road import BodyTruth, RoadTruth
from livemon.simulate.world import World

FAULTS: Final = (
    "none", "stator_not_holding", "stator_seized", "lockup_shudder", "lockup_slip", "lockup_never_applied",
    "gear_slip", "engine_low_output", "driveline_drag", "misfire",
)  # fmt: skip
STYLES: Final[tuple[Style, ...]] = (
    "mixed", "mixed", "mixed", "mixed", "road_test", "town", "town", "delivery", "highway",
)  # fmt: skip


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
        return self.shop.file_text(self.engine, self.gearbox)


def draw(fault: str = "none", seed: int = 0, seconds: float | None = None, **choices: Any) -> Scenario:
    """Draw a scenario.

    choices: `severity` (1 workshop size, 0.3 mild), `style` (driver), `kind` (vehicle), and any field of
    PollPlan or UnitTruth by name (for example `readings_per_s=20`, `torque="air_flow"`).
    """
    if fault not in FAULTS:
        raise UsageError(
            f"one of {', '.join(FAULTS)}", repr(fault), "the fault to simulate", "name one of these"
        )
    kinds, trip = Random(f"{seed}:kind"), Random(f"{seed}:trip")
    units, faults, shops = Random(f"{seed}:unit"), Random(f"{seed}:fault:{fault}"), Random(f"{seed}:shop")
    kind = choices.pop("kind", None) or kinds.choice(tuple(KINDS))
    body, engine, converter, gearbox = vehicle(kind, seed)
    style: Style = trip.choice(STYLES)
    if fault.startswith("lockup") and style in ("town", "delivery"):
        style = "mixed"  # a complaint about cruising is not driven in town only
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
        body,
        mass_kg=nominal_kg + 75.0 + load,
        tyre_radius_m=nominal_radius * (1.0 + trip.uniform(-0.02, 0.012)),
        air_density_kg_m3=1.2 * (0.5 + 0.5 * engine.air_share) * trip.uniform(0.95, 1.05),
    )
    road = RoadTruth(
        grade_rms=abs(trip.gauss(0.018, 0.008)),
        grade_length_m=trip.uniform(120.0, 600.0),
        wind_m_s=trip.gauss(0.0, 3.0),
        gust_m_s=trip.uniform(0.2, 1.5),
    )
    driver = DriverTruth(
        style=style,
        pedal_lag_s=trip.uniform(0.3, 1.0),
        wobble=trip.uniform(0.0, 0.08),
        hurry=trip.random(),
        top_kmh=trip.uniform(80.0, 125.0),
        trace=choices.pop("trace", ()),
    )
    unit = unit_truth(units, engine, nominal_radius, fault, choices.pop("torque", None))
    poll = poll_plan(units, unit)
    unit, poll = _choose(unit, choices), _choose(poll, choices)
    if choices:
        raise UsageError(
            "a choice of the scenario, the poller or the control unit",
            ", ".join(choices),
            "simulate.scenario.draw",
            "see the fields of PollPlan and UnitTruth",
        )
    length_s = trip.choice((240.0, 300.0, 420.0, 600.0, 900.0, 1200.0))
    return Scenario(
        fault=fault,
        seed=seed,
        severity=severity,
        seconds=length_s if seconds is None else seconds,
        kind=kind,
        body=body,
        engine=engine,
        converter=converter,
        gearbox=gearbox,
        road=road,
        driver=driver,
        causes=causes_of(
            fault, severity, faults, engine, gearbox, body, converter.geometry, style == "demonstration"
        ),
        unit=unit,
        poll=poll,
        shop=shop_numbers(shops, seed, kind, engine, converter, gearbox, nominal_kg, nominal_radius),
    )


def _choose(record: Any, choices: dict[str, Any]) -> Any:
    mine = {f.name: choices.pop(f.name) for f in fields(record) if f.name in choices}
    return replace(record, **mine) if mine else record
