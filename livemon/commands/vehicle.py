"""`livemon vehicle new | check | learn`: make, check or calibrate a vehicle file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from livemon.commands import learn
from livemon.commands.say import say
from livemon.converter.curves import at
from livemon.errors import UsageError
from livemon.vehicle import Known, Vehicle, curves_of, stall_point, turbine_rad_per_m
from livemon.vehicle_file import load

TEMPLATE: Final = """\
# A vehicle, for livemon. Every line is optional: take off the leading "# " and put in what you know.
# What you leave out is assumed, with a wider band, and the result says so. More numbers, firmer calls.
schema = 1
# name = "delivery van 7"

[body]
# mass_kg = 2150                 # as driven on the day; a weighbridge slip is best
# drag_area_m2 = 0.9             # drag coefficient x frontal area
# rolling_resistance = 0.009

[driveline]
# gear_ratios = [4.7, 3.1, 2.1, 1.67, 1.29, 1.0]   # first gear first
# final_drive = 3.3
# tyre = "225/55R17"             # as on the sidewall; or tyre_radius_m, the rolling radius
# efficiency = 0.92

[engine]
# displacement_l = 2.0
# cylinders = 4
# fuel = "petrol"                # or "diesel"
# inertia_kg_m2 = 0.25           # crankshaft, flexplate and pump together
# peak_torque_nm = 250
# peak_torque_rpm = 3000
# torque_curve = [[1000, 130], [2000, 220], [3000, 250], [4500, 245], [6000, 200]]   # full load

[converter]
# stall_speed_rpm = 2300         # the specified stall speed, with this engine
# stall_torque_nm = 230          # engine torque that goes with it
# stall_torque_ratio = 1.9
# coupling_speed_ratio = 0.87    # where the torque ratio has come down to 1
# lockup_slip_target_rpm = 0     # the slip the clutch is controlled to, if any
# curve = [[0.0, 150, 1.9], [0.5, 162, 1.4], [0.8, 190, 1.08], [0.9, 215, 1.0]]   # measured: SR, K, TR

[broadcast]                      # only with --dbc: which signals carry what
# engine_rpm = "Message.Signal"
# turbine_rpm = "Message.Signal"
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", required=True, metavar="new | check | learn")
    new = actions.add_parser("new", help="write a vehicle file to fill in")
    new.add_argument("out", metavar="OUT.toml")
    check = actions.add_parser("check", help="check a vehicle file and show what follows from it")
    check.add_argument("file", metavar="V.toml")
    learn.add_arguments(actions.add_parser("learn", help="calibrate from a known-good drive"))


def run(arguments: argparse.Namespace) -> int:
    if arguments.action == "new":
        return _new(Path(arguments.out))
    if arguments.action == "check":
        return _check(arguments.file)
    return learn.run(arguments)


def _new(path: Path) -> int:
    try:
        with path.open("x", encoding="utf-8") as file:  # never over a file somebody filled in
            file.write(TEMPLATE)
    except FileExistsError:
        raise UsageError("a new file name", "one that exists", str(path), "choose another name") from None
    except OSError as error:
        raise UsageError(
            "a writable path", error.strerror or "an error", str(path), "choose another"
        ) from None
    say(f"{path}: fill in what you know, then: livemon vehicle check {path}")
    return 0


def _check(path: str) -> int:
    vehicle = load(path)
    lines = [f"{path}: {vehicle.name or 'no name'}, nothing impossible in it", ""]
    lines += [*_body(vehicle), *_driveline(vehicle), *_converter(vehicle)]
    if vehicle.assumed:
        lines += ["", "Assumed, not in the file:", *(f"  {name}" for name in vehicle.assumed)]
    say(*lines)
    return 0


def _body(vehicle: Vehicle) -> list[str]:
    return [
        _shown("mass", vehicle.mass_kg, "kg"),
        _shown("drag area", vehicle.drag_area_m2, "m2"),
        _shown("rolling resistance", vehicle.rolling_resistance, ""),
        _shown("driveline efficiency", vehicle.efficiency, ""),
        _shown("engine inertia", vehicle.inertia_kg_m2, "kg m2"),
    ]


def _driveline(vehicle: Vehicle) -> list[str]:
    from livemon.estimate.ratios import rpm_per_kmh  # the estimator: not to write a new file

    rows = (
        [] if vehicle.tyre_radius_m is None else [_shown("tyre rolling radius", vehicle.tyre_radius_m, "m")]
    )
    if not turbine_rad_per_m(vehicle):
        return [
            *rows,
            "turbine speed: gears, final drive or tyre missing; found on the road while the clutch locks",
        ]
    gears = ", ".join(f"{rpm:.1f}" for rpm in rpm_per_kmh(vehicle)[0])
    return [*rows, f"{'turbine rpm per km/h':<24}{gears}  (first gear up)"]


def _converter(vehicle: Vehicle) -> list[str]:
    curves = curves_of(vehicle)
    rows = []
    if point := stall_point(vehicle):
        rows = [_shown("stall speed", point.rpm, "rpm"), _shown("full load there", point.torque_nm, "N m")]
    rows += [
        f"{'coupling speed ratio':<24}{curves.coupling_speed_ratio:.3f}",
        "",
        f"{'speed ratio':>12}{'K rpm/sqrt(N m)':>22}{'torque ratio':>18}{'K, stator lost':>22}",
    ]
    for sr in (0.0, 0.2, 0.4, 0.6, 0.8, 0.9):
        pairs = ((curves.k, curves.k_sd), (curves.tr, curves.tr_sd), (curves.k_lost, curves.k_lost_sd))
        (k, k_sd), (tr, tr_sd), (lost, lost_sd) = ((at(value, sr), 2 * at(sd, sr)) for value, sd in pairs)
        rows.append(
            f"{sr:>12.1f}{k:>14.0f} +-{k_sd:>4.0f}{tr:>12.2f} +-{tr_sd:>4.2f}{lost:>14.0f} +-{lost_sd:>4.0f}"
        )
    return rows


def _shown(name: str, known: Known, unit: str) -> str:
    note = "  assumed" if known.assumed else ""
    return f"{name:<24}{known.value:.4g} +- {_plain(2 * known.sd)} {unit}".rstrip() + note


def _plain(number: float) -> str:
    """Two digits that mean something, never a power of ten: 0.0052, 0.18, 660."""
    return f"{number:.2g}" if number < 100.0 else f"{round(number, -1):.0f}"
