"""`livemon stall`: the expected stall speed with its band, what moves it, and how to read a measured one."""

from __future__ import annotations

import argparse
import csv
from collections.abc import Mapping
from io import StringIO
from typing import Final

from livemon.commands import outputs
from livemon.commands.say import say
from livemon.converter.curves import GRID_STEPS, Curves
from livemon.converter.stall import Cause, Stall, read
from livemon.errors import UsageError
from livemon.files import write_whole
from livemon.vehicle import curves_of, stall_point
from livemon.vehicle_file import load
from livemon.vehicle_stall import StallSheet, stall_sheet
from livemon.views.assumed import named
from livemon.views.sentences import percent

CAUTION: Final = """\
A stall check can hurt people and burn the fluid. Only where the maker's procedure allows it. Fluid warm and
at level, wheels chocked, service and parking brake hard on, nobody in front of or behind the vehicle. Five
seconds at most, then cool down a minute in neutral. Stop at once if a wheel turns or the speed passes the
specified band. This supports a licensed technician's judgement, the maker's procedure and local law; it
replaces none of them."""

_SOUND, _LOW, _SLIPS = "as it should be", "low: engine or stator", "slip in the gearbox"
# Engine against stator rests on how large engine faults usually are, which is a guess: with a stall of two
# thirds, other guesses as good give 2 to 1 up to 50 to 1. No odds beyond these are told.
_MOST_ODDS: Final = 3
# What to do about a reading, cheapest first. Common practice, no source.
_NEXT: Final[dict[str, tuple[str, ...]]] = {
    _LOW: (
        "Next: codes, air filter and boost, then a road test with the converter clutch locked: a weak engine",
        "stays weak there. Another converter than the file's, with a lower stall speed, reads low too.",
    ),
    _SLIPS: (
        "Next: fluid level and condition (low or aerated fluid slips), then whether this converter, tyre and",
        "engine are the file's: one with a higher stall speed reads high too. Line pressure before anything",
        "comes out.",
    ),
}
COLUMNS: Final = (
    "speed_ratio",
    "k",
    "k_sd",
    "torque_ratio",
    "torque_ratio_sd",
    "k_lost",
    "k_lost_sd",
    "k_seized",
    "torque_ratio_seized",
)

_NAME = 44  # places for what a row is of


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--vehicle", required=True, metavar="V.toml", help="the vehicle file")
    parser.add_argument(
        "--engine", metavar="OTHER.toml", help="another vehicle file: its engine, this converter"
    )
    parser.add_argument(
        "--measured", type=float, metavar="RPM", help="a stall speed that was read, to be judged"
    )
    parser.add_argument("--barometer", type=float, metavar="KPA", help="barometric pressure where it is read")
    parser.add_argument(
        "--intake", type=float, metavar="DEGC", help="intake air temperature, after the cooler"
    )
    parser.add_argument("--curve", metavar="OUT.csv", help="write the derived curves with their bands")


def run(arguments: argparse.Namespace) -> int:
    outputs.check(arguments)
    vehicle = load(arguments.vehicle)
    curves = curves_of(vehicle)
    if arguments.curve:
        write_curves(curves, arguments.curve)
        if stall_point(vehicle) is None:  # curves need no engine, a stall speed does
            say(f"{arguments.curve}: curves written. No engine torque is known, so no stall speed.")
            return 0
    engine = load(arguments.engine) if arguments.engine else None
    sheet = stall_sheet(vehicle, arguments.barometer, arguments.intake, engine)
    swapped = "" if engine is None else f"behind the engine of {engine.name or arguments.engine}"
    lines = [f"Stall of {vehicle.name or arguments.vehicle}", "", *CAUTION.splitlines()]
    lines += ["", *_expected(sheet, swapped)]
    from livemon.commands.stall_plot import plot

    lines += ["", *plot(sheet), "", *_how_to_read(sheet)]
    if arguments.measured is not None:
        lines += ["", *_judged(sheet, arguments.measured, swapped)]
    if curves.assumed:
        lines += ["", named(curves.assumed)]
    say(*lines)
    return 0


def _expected(sheet: StallSheet, swapped: str) -> list[str]:
    rows = [f"{'':<{_NAME}}{'speed':>10}{'give or take':>14}{'torque':>9}{'heat':>8}"]
    rows.append(_row("expected", sheet.as_built))
    if sheet.swapped is not None:
        rows.append(_row(swapped, sheet.swapped))
    if sheet.in_that_air is not None:
        kind = "charged" if sheet.charged else "not charged"
        share = 100 * sheet.air_share
        rows.append(_row(f"in this air ({kind}, {share:.0f} % torque)", sheet.in_that_air))
    if sheet.expected is not sheet.as_built:
        rows.append(f"What moves it, {_given(sheet, swapped)}:")
    rows += [_row(f"engine torque {100 * (1 - share):.0f} % down", stall) for share, stall in sheet.weaker]
    rows.append(_row("stator not holding", sheet.lost))
    if sheet.unboosted is not None:
        rows.append(_row("before the turbocharger answers", sheet.unboosted))
    return rows


def _given(sheet: StallSheet, swapped: str) -> str:
    """What differs from the vehicle as built in normal air."""
    return " ".join(filter(None, (swapped, "in this air" if sheet.in_that_air else "")))


def _row(name: str, stall: Stall) -> str:
    shown = name if len(name) < _NAME else f"{name[: _NAME - 4]}..."  # a long one does not shift the table
    return (
        f"{shown:<{_NAME}}{stall.rpm:>6.0f} rpm{2 * stall.sd_rpm:>10.0f} rpm"
        f"{stall.torque_nm:>5.0f} N m{stall.heat_kw:>5.0f} kW"
    )


def _how_to_read(sheet: StallSheet) -> list[str]:
    """Chances over a range of readings, so that nobody takes one low number for proof."""
    heads = (_SOUND, _LOW, _SLIPS, "odds if low")
    header = f"{'a reading of':<14}" + "".join(f"{words:>23}" for words in heads)
    shares = (0.60, 0.70, 0.80, 0.85, 0.90, 0.95, 1.0, 1.05, 1.10, 1.20)
    rows = ["give or take is two standard deviations. How a reading would be judged:", header]
    for share in shares:
        rpm = round(sheet.expected.rpm * share, -1)
        chances = read(rpm, sheet.expected, sheet.lost_ratio, sheet.lost_ratio_sd)
        low = _low(chances)
        cells = [percent(chance) for chance in (chances["as_expected"], low, chances["slipping"])]
        cells.append(_odds(chances) if share < 1.0 else "")
        rows.append(f"{rpm:>10.0f} rpm" + "".join(f"{cell:>23}" for cell in cells))
    weak = sheet.weaker[-1][1].rpm
    deficit = 100 * (1 - sheet.lost_ratio**2)  # where the same speed asks (lost ratio)^2 of the torque
    rows += [
        f"A low stall alone does not prove the stator: an engine {deficit:.0f} % down stalls at the same",
        f"{sheet.lost.rpm:.0f} rpm, one 30 % down at {weak:.0f} rpm. Odds are given a stall speed alone,",
        f"never beyond {_MOST_ODDS} to 1: how large an engine fault to expect is a guess.",
        "What tells them apart: engine torque reported or worked out at the same time, and the road with the",
        "converter clutch locked, where a weak engine stays weak and a lost stator does not show.",
    ]
    return rows


def _low(chances: Mapping[Cause, float]) -> float:
    return chances["engine_low_output"] + chances["stator_not_holding"]


def _odds(chances: Mapping[Cause, float]) -> str:
    """Stator against engine in whole numbers, no further than the stall speed alone can tell."""
    engine, stator = chances["engine_low_output"], chances["stator_not_holding"]
    least, most = sorted((engine, stator))
    times = _MOST_ODDS if most >= _MOST_ODDS * least else round(most / least)
    if times < 2:
        return "even"
    return f"{'stator' if stator > engine else 'engine'} {times} to 1"


def _judged(sheet: StallSheet, measured_rpm: float, swapped: str) -> list[str]:
    if not 300.0 <= measured_rpm <= 9000.0:
        came = f"{measured_rpm:g}"
        raise UsageError("a measured stall speed of 300 to 9000 rpm", came, "--measured", "check it")
    expected = sheet.expected
    chances = read(measured_rpm, expected, sheet.lost_ratio, sheet.lost_ratio_sd)
    change = 100 * (measured_rpm / expected.rpm - 1)
    against = " ".join(filter(None, (f"{expected.rpm:.0f} rpm expected", _given(sheet, swapped))))
    grouped = {
        _SOUND: chances["as_expected"],
        _LOW: _low(chances),
        _SLIPS: chances["slipping"],
    }
    rows = [f"Measured {measured_rpm:.0f} rpm, {change:+.0f} % from the {against}:"]
    for words, chance in sorted(grouped.items(), key=lambda item: -item[1]):
        rows.append(f"  {words:<24}{percent(chance):>6}")
        if words == _LOW and chance > 0.5:
            rows.append(f"    odds between the two, given the stall speed alone: {_odds(chances)}")
    rows.append("  from this one number, before any other evidence")
    likeliest = max(grouped, key=lambda words: grouped[words])
    return [*rows, *_NEXT.get(likeliest, ())]


def write_curves(curves: Curves, path: str) -> None:
    """The curves over speed ratio 0.00 .. 1.00, one row each hundredth; K in rpm/sqrt(N m), sd one sigma."""
    tables = (
        curves.k,
        curves.k_sd,
        curves.tr,
        curves.tr_sd,
        curves.k_lost,
        curves.k_lost_sd,
        curves.k_seized,
        curves.tr_seized,
    )
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for i in range(GRID_STEPS + 1):
        writer.writerow([f"{i / GRID_STEPS:.2f}", *(f"{table[i]:.5g}" for table in tables)])
    write_whole(path, text.getvalue())
