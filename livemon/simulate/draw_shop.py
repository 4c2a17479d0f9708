"""Draws what a workshop knows of a simulated vehicle: catalogue numbers, each somewhat off the real thing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi
from random import Random

from livemon.simulate.engine import EngineTruth
from livemon.simulate.gearbox import GearboxTruth
from livemon.simulate.hydraulics import ConverterTruth, operating_point


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

    def file_text(self, engine: EngineTruth, gearbox: GearboxTruth) -> str:
        """The vehicle file (TOML)."""
        lines = ["schema = 1", f'name = "{self.name}"', "", "[body]", f"mass_kg = {self.mass_kg:.0f}"]
        lines += ["", "[driveline]"]
        if self.gives_gears:
            lines += [f"gear_ratios = [{', '.join(f'{ratio:.3f}' for ratio in gearbox.ratios)}]"]
            lines += [f"final_drive = {gearbox.final_drive:.2f}"]
        lines += [f'tyre = "{self.tyre}"' if self.tyre else f"tyre_radius_m = {self.tyre_radius_m:.3f}"]
        lines += ["", "[engine]", f"displacement_l = {engine.displacement_l:.1f}"]
        lines += [f"cylinders = {engine.cylinders}"]
        lines += [f'fuel = "{"diesel" if engine.aspiration == "diesel_turbo" else "petrol"}"']
        if self.gives_curve:
            sea = replace(engine, air_share=1.0)
            share = self.peak_torque_nm / engine.peak_torque_nm
            speeds = range(1000, int(engine.rated_rpm) + 1, 500)
            points = ", ".join(f"[{n}, {share * sea.full_load_nm(float(n)):.0f}]" for n in speeds)
            lines += [f"torque_curve = [{points}]"]
        else:
            lines += [f"peak_torque_nm = {self.peak_torque_nm:.0f}"]
            lines += [f"peak_torque_rpm = {self.peak_torque_rpm:.0f}"]
        if self.gives_converter:
            lines += ["", "[converter]", f"stall_speed_rpm = {self.stall_speed_rpm:.0f}"]
            lines += [f"stall_torque_ratio = {self.stall_torque_ratio:.2f}"]
            if self.coupling_speed_ratio:
                lines += [f"coupling_speed_ratio = {self.coupling_speed_ratio:.2f}"]
            if self.lockup_slip_target_rpm and gearbox.lock_plan != "full":
                lines += [f"lockup_slip_target_rpm = {self.lockup_slip_target_rpm:.0f}"]
        return "\n".join(lines) + "\n"


def shop_numbers(
    rng: Random,
    seed: int,
    kind: str,
    engine: EngineTruth,
    converter: ConverterTruth,
    gearbox: GearboxTruth,
    mass_kg: float,
    radius_m: float,
) -> ShopNumbers:
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
    tyre = _tyre(radius_m, rng) if rng.random() < 0.6 else ""
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
    """The standard size whose rolling radius (0.97 of the free radius) comes nearest, of four rims."""
    best, name = 9.0, ""
    for rim in rng.sample(range(14, 21), 4):
        for width in range(175, 285, 10):
            for aspect in (40, 45, 50, 55, 60, 65, 70, 75):
                off = abs((rim * 0.0254 / 2 + width * aspect * 1e-5) * 0.97 - radius_m)
                if off < best and 0.09 < width * aspect * 1e-5 < 0.19:
                    best, name = off, f"{width}/{aspect}R{rim}"
    return name
