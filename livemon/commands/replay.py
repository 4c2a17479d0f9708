"""`livemon replay`: judge a recorded drive."""

from __future__ import annotations

import argparse

from livemon.commands import drive, options


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recording", metavar="RECORDING", help="candump text, or any log python-can reads")
    options.add_vehicle(parser)
    options.add_pace(parser)
    options.add_outputs(parser)


def run(args: argparse.Namespace) -> int:
    vehicle = drive.vehicle_of(args)
    decoder = drive.decoder_of(vehicle, args.dbc, args.j1939)
    view, full_screen = drive.view_of(args)
    pace = args.pace if args.pace is not None else (1.0 if full_screen else 0.0)
    return drive.carry_out(
        args,
        args.recording,
        decoder,
        vehicle,
        lambda run, stop: drive.replay_recording(run, args.recording, pace=pace, stop=stop),
        view,
    )
