"""Draws a control unit's habits and a poller's."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Literal

from livemon.simulate.control_unit import UnitTruth
from livemon.simulate.engine import EngineTruth
from livemon.simulate.signals import SignalTruth, SpeedShape, TorqueConvention, TorqueKind

Order = Literal["smart", "weighted", "round_robin"]
CODES: dict[str, tuple[str, ...]] = {
    "stator_not_holding": ("P0219", "P0741"),
    "lockup_slip": ("P0741",),
    "lockup_shudder": ("P0741", "P0894"),
    "lockup_never_applied": ("P0741", "P2757"),
    "gear_slip": ("P0731", "P0732", "P0733", "P0894"),
    "engine_low_output": ("P0299", "P0101", "P0171"),
    "misfire": ("P0300", "P0302"),
}


@dataclass(frozen=True, slots=True)
class PollPlan:
    """How the drive was recorded."""

    readings_per_s: float
    order: Order
    pids_per_ask: int
    physical: bool  # asks go to the engine's unit, not to everybody
    jitter_s: float
    padding: int
    opens: bool  # masks, VIN and codes are asked first


def unit_truth(
    rng: Random,
    engine: EngineTruth,
    radius_m: float,
    fault: str,
    torque: TorqueKind | None = None,
) -> UnitTruth:
    """A vehicle's control units. `fault` only decides which trouble codes they may have stored by now.

    torque: what there is to know engine torque from, where it is not to be drawn.
    """
    shapes: tuple[SpeedShape, ...] = ("delay", "boxcar", "lag")
    kinds: tuple[TorqueKind, ...] = ("reported",) * 5 + ("air_flow",) * 3 + ("load",) * 2
    conventions: tuple[TorqueConvention, ...] = (
        "indicated_with_friction",
        "indicated_with_friction",
        "indicated_alone",
        "net",
    )
    drawn = rng.choice(kinds)
    kind = torque or drawn
    diesel = engine.aspiration == "diesel_turbo"
    if diesel and kind == "air_flow":
        kind = "reported"
    peak = engine.peak_torque_nm
    signals = SignalTruth(
        speed_shape=rng.choice(shapes),
        speed_delay_s=rng.uniform(0.05, 0.15),
        speed_update_s=rng.choice((0.01, 0.02, 0.02, 0.04, 0.1)),
        speed_rounding=rng.choice(("truncate", "round")),
        speed_floor_kmh=rng.choice((0.0, 0.0, 1.5, 2.5)),
        tyre_radius_m=radius_m * rng.gauss(1.0, 0.006),
        rpm_update_s=rng.choice((0.008, 0.01, 0.02)),
        torque_convention=rng.choice(conventions),
        torque_bias=rng.gauss(0.0, 0.035),
        torque_offset_nm=rng.gauss(0.0, 0.012) * peak,
        torque_scatter_nm=rng.uniform(0.003, 0.015) * peak,
        torque_delay_s=rng.uniform(0.0, 0.06),
        reference_nm=float(round(peak * rng.uniform(1.05, 1.3))),
        ambient_c=float(rng.randint(-5, 34)),
        coolant_c=float(rng.randint(82, 96)),
        air_bias=rng.gauss(0.0, 0.03),
    )
    pids = {0x01, 0x04, 0x05, 0x0C, 0x0D, 0x0F, 0x11, 0x1F, 0x42}
    pids |= {p for p in (0x2F, 0x33, 0x46, 0x49, 0x5C, 0xA6) if rng.random() < 0.7}
    pids |= {0x5A} if rng.random() < 0.4 else set()
    pids |= {0x5E} if rng.random() < 0.25 else set()
    if kind == "reported":
        pids |= {0x61, 0x62, 0x63} | ({0x10} if rng.random() < 0.5 else {0x0B})
        if signals.torque_convention == "indicated_with_friction":
            pids |= {0x8E}
        pids |= {0x64} if rng.random() < 0.2 else set()
    elif kind == "air_flow":
        pids |= {0x10, 0x0B} if rng.random() < 0.4 else {0x10}
    elif kind == "load":
        pids |= {0x43, 0x0B} if rng.random() < 0.6 else {0x43}
    gear_known = rng.random() < 0.3
    transmission = rng.random() < 0.3
    boxes: set[int] = set()
    if transmission:
        boxes = {0x01, 0x05, 0x0D, 0x1F, 0x42} | ({0xA4} if gear_known else set())
    elif gear_known:
        pids |= {0xA4}
    quick = rng.uniform(0.004, 0.02)
    has_codes = rng.random() < 0.4
    codes: tuple[str, ...] = (rng.choice(CODES[fault]),) if fault in CODES and has_codes else ()
    if rng.random() < 0.08:
        codes += (rng.choice(("P0442", "P0128", "P0455", "P0562")),)
    serial = "".join(rng.choice("0123456789") for _ in range(6))
    return UnitTruth(
        signals=signals,
        extended=rng.random() < 0.15,
        pids=tuple(sorted(pids)),
        transmission_pids=tuple(sorted(boxes)),
        answer_s=(quick, quick + rng.uniform(0.002, 0.022)),
        sample_share=rng.uniform(0.2, 1.0),
        most_pids=rng.choice((1, 6, 6, 6)),
        padding=rng.choice((0x00, 0x55, 0xAA, 0xCC)),
        miss_share=rng.choice((0.0, 0.0, 0.001, 0.004)),
        vin=f"0LM{rng.choice('ABCDEF')}S1M00X{serial}0",
        stored=codes,
        pending=codes[:1] if rng.random() < 0.5 else (),
        permanent=codes[:1] if rng.random() < 0.3 else (),
        gear_early=rng.random() < 0.5,
        torque=kind,
    )


def poll_plan(rng: Random, unit: UnitTruth) -> PollPlan:
    """The poller: 3 to 40 readings a second, one or several PIDs an ask."""
    several = unit.most_pids > 1 and rng.random() < 0.5
    rate = 3.0 * (40.0 / 3.0) ** rng.random()
    return PollPlan(
        readings_per_s=rate,
        order=rng.choice(("smart", "smart", "smart", "smart", "weighted", "weighted", "round_robin")),
        pids_per_ask=rng.choice((2, 3, 4, 6)) if several else 1,
        physical=rng.random() < 0.25,
        jitter_s=rng.uniform(0.0005, 0.008),
        padding=rng.choice((0x00, 0x55, 0xAA, 0xCC)),
        opens=rng.random() < 0.85,
    )
