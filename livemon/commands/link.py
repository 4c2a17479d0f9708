"""From the link options to an open link: what watch and survey do alike."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from typing import Final

from livemon.clock import Clock
from livemon.errors import UsageError
from livemon.obd.schedule import Schedule
from livemon.sources.reconnect import Reconnecting

OPENING_S: Final = 20.0  # how long the first opening may take; a link that was lost is waited for without end


def name_of(args: argparse.Namespace) -> str:
    """The link as the user named it."""
    return str(args.serial or args.channel or args.interface)


def check(args: argparse.Namespace) -> None:
    """Raise UsageError unless the options name one link, and one that can do what is asked of it."""
    given = " and ".join(
        option for option, value in (("--serial", args.serial), ("--interface", args.interface)) if value
    )
    if given not in ("--serial", "--interface"):
        raise UsageError(
            "--serial PORT, or --interface I with --channel C",
            given or "neither",
            "the link options",
            "name the one link to the vehicle",
        )
    for option, value, other in (
        ("--channel", args.channel, args.serial),
        ("--bitrate", args.bitrate, args.serial),
        ("--baud", args.baud, args.interface),
    ):
        if value is not None and other:
            raise UsageError(f"no {option} here", f"{option} {value}", given, f"leave {option} out")
    for option, number in (("--bitrate", args.bitrate), ("--baud", args.baud)):
        if number is not None and number <= 0:
            raise UsageError("a number above zero", str(number), option, f"or leave {option} out")
    if args.serial and listens_only(args):
        raise UsageError(
            "a CAN interface to listen to broadcast frames",
            f"a serial adapter that only asks ({args.serial})",
            "--dbc or --j1939",
            "use --interface and --channel; slcan is one of them",
        )


def listens_only(args: argparse.Namespace) -> bool:
    """Broadcast decoding sends nothing at all."""
    return bool(getattr(args, "dbc", None) or getattr(args, "j1939", False))


def open_link(
    args: argparse.Namespace,
    clock: Clock,
    say: Callable[[str], None],
    masks: Sequence[tuple[int, int, bool]] = (),
    fuel: str | None = None,
    deadline_s: float | None = OPENING_S,
    stop: Callable[[], bool] = lambda: False,
) -> tuple[Reconnecting, Schedule | None]:
    """The link of these options and the schedule that fits it (None: listen only). Opens nothing yet.

    masks: what a CAN bus should let through, the decoder's `wanted_masks`. fuel: the vehicle's, if known.
    stop: ends an opening early.
    """
    check(args)
    if args.serial:
        from livemon.sources.serial_open import SerialLink

        serial = SerialLink(args.serial, args.baud, say, clock, stop=stop)
        return Reconnecting(serial, clock, say, deadline_s, stop), Schedule(parallel=False, fuel=fuel)
    from livemon.sources.can_open import CanLink

    listens = listens_only(args)
    bus = CanLink(args.interface, args.channel, args.bitrate, masks, listens, say, clock, stop=stop)
    return Reconnecting(bus, clock, say, deadline_s, stop), None if listens else Schedule(fuel=fuel)
