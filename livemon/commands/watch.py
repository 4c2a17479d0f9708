"""`livemon watch`: a vehicle, live, through a CAN interface or a serial adapter."""

from __future__ import annotations

import argparse
import time

from livemon.commands import drive, link, options

RECORDING_BYTES = 256 << 20  # then a new file is begun


def add_arguments(parser: argparse.ArgumentParser) -> None:
    options.add_link(parser)
    options.add_vehicle(parser)
    parser.add_argument(
        "--record",
        metavar="OUT.log",
        help="record everything sent and received; %%Y%%m%%d-%%H%%M%%S become the time",
    )
    options.add_outputs(parser)


def run(args: argparse.Namespace) -> int:
    from livemon.clock import MonotonicClock
    from livemon.live import Live
    from livemon.run import Run
    from livemon.store.recorder import Recorder

    link.check(args)
    for option in ("record", "json", "trace", "report"):  # a drive a file, for a board that starts by itself
        if (path := getattr(args, option)) and "%" in path:
            setattr(args, option, time.strftime(path))
    vehicle = drive.vehicle_of(args.vehicle, args.j1939)
    decoder = drive.decoder_of(vehicle, args.dbc, args.j1939)
    drive.check_outputs(args)
    recorder = Recorder(args.record, max_bytes=RECORDING_BYTES) if args.record else None
    view, full_screen = drive.view_of(args)
    clock = MonotonicClock()

    def carry(run: Run, stop: drive.Stop) -> None:
        def say(notice: str) -> None:
            if run.readings:
                run.tell(notice)
            else:  # how the link was found is news while it lasts, and nothing to keep
                run.notice = notice
            view.update(run.snapshot())  # a search for the vehicle brings no frames that would draw it

        bus, schedule = link.open_link(args, clock, say, decoder.wanted_masks, vehicle.fuel, stop=stop)
        try:
            with drive.keys_of(full_screen) as keys:
                Live(run, bus, schedule, clock, recorder=recorder, keys=keys.read).drive(stop)
        finally:
            bus.close()
            received = run.frames if schedule is None else schedule.units
            if recorder is not None and received:
                recorder.close()
            elif recorder is not None:  # a board that waits for the ignition tries again and again
                recorder.discard()

    return drive.carry_out(args, link.name_of(args), decoder, vehicle, carry, view, remember=True)
