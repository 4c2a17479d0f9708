"""Options that several commands share, so that a name means the same everywhere."""

from __future__ import annotations

import argparse
from math import nan
from typing import Final

LARGEST: Final = 1e6  # of any such number: seconds, screens a second, times real time
LARGEST_RATE: Final = 20_000_000  # bit/s
SLOWEST: Final = 1e-3  # times real time: slower seems to stand still


def positive(text: str) -> float:
    """An argparse type: a number from zero to LARGEST."""
    try:
        value = float(text)
    except ValueError:
        value = nan
    if not 0.0 <= value <= LARGEST:
        raise argparse.ArgumentTypeError(f"expected a number from 0 to {LARGEST:.0f}, got {text!r}")
    return value


def pace(text: str) -> float:
    """An argparse type: zero, or a number from SLOWEST to LARGEST."""
    value = positive(text)
    if 0.0 < value < SLOWEST:
        raise argparse.ArgumentTypeError(f"expected 0 or {SLOWEST:g} to {LARGEST:.0f}, got {text!r}")
    return value


def rate(text: str) -> int:
    """An argparse type: bits a second, as far as any bus or line goes; link.check looks at the low end."""
    try:
        value = int(text)
    except ValueError:
        value = LARGEST_RATE + 1
    if value > LARGEST_RATE:
        raise argparse.ArgumentTypeError(f"expected a whole number up to {LARGEST_RATE}, got {text!r}")
    return value


def add_vehicle(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("vehicle and traffic")
    group.add_argument("--vehicle", metavar="V.toml", help="vehicle file; without one, less can be judged")
    group.add_argument("--dbc", metavar="F.dbc", help="read broadcast frames by the [broadcast] of the file")
    group.add_argument("--j1939", action="store_true", help="read J1939 broadcast frames; nothing is sent")


def add_link(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("link")
    group.add_argument("--interface", metavar="I", help="python-can interface, as socketcan or slcan")
    group.add_argument("--channel", metavar="C", help="python-can channel, as can0")
    group.add_argument("--bitrate", metavar="B", type=rate, help="bit/s; by itself when left out")
    group.add_argument(
        "--serial", metavar="PORT", help="adapter that takes AT commands: device or socket:// URL"
    )
    group.add_argument("--baud", metavar="B", type=rate, help="found by itself when left out")


def add_pace(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--pace", metavar="X", type=pace, help="1 real time, 2 twice as fast, 0 as fast as it can"
    )


def add_outputs(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("outputs")
    group.add_argument("--json", metavar="PATH", help="write the result; - for standard output")
    group.add_argument("--trace", metavar="PATH.csv", help="write one row per engine-speed reading")
    group.add_argument("--report", metavar="PATH.html", help="write a report to print or send")
    group.add_argument("--no-screen", action="store_true", help="plain lines even on a terminal")
    group.add_argument("--bell", action="store_true", help="sound the terminal bell at a warning")
    group.add_argument("--fps", metavar="N", type=positive, default=4.0, help="screens a second at most (4)")
