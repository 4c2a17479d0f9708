"""`livemon replay`: judge a recorded drive."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from livemon.commands import drive, options

if TYPE_CHECKING:
    from livemon.run import Run
    from livemon.views.snapshot import Marker

LOOK_S: Final = 0.1  # between two looks at the keys


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recording", metavar="RECORDING", help="candump text, or any log python-can reads")
    options.add_vehicle(parser)
    options.add_pace(parser)
    options.add_outputs(parser)


def run(args: argparse.Namespace) -> int:
    vehicle = drive.vehicle_of(args.vehicle, args.j1939)
    decoder = drive.decoder_of(vehicle, args.dbc, args.j1939)
    view, full_screen = drive.view_of(args)
    pace = args.pace if args.pace is not None else (1.0 if full_screen else 0.0)

    def carry(run: Run, stop: drive.Stop) -> None:
        with drive.keys_of(full_screen) as keys:
            pressed = _Pressed(run, keys.read, stop)
            drive.replay_recording(run, args.recording, pace=pace, stop=pressed)
        run.markers = sorted([*pressed.markers, *run.markers])  # those of the recording are known at its end

    return drive.carry_out(args, args.recording, decoder, vehicle, carry, view)


class _Pressed:
    """Asked before every frame whether to stop: looks at the keys now and then. q stops, m marks."""

    def __init__(self, run: Run, read: Callable[[], str], stop: Callable[[], bool]) -> None:
        self._run, self._read, self._stop = run, read, stop
        self._looked_s = time.monotonic()
        self._quit = False
        self.markers: list[Marker] = []

    def __call__(self) -> bool:
        now_s = time.monotonic()
        if now_s - self._looked_s >= LOOK_S:
            self._looked_s = now_s
            for key in self._read():
                if key == "m":
                    self.markers.append(self._run.mark())
                self._quit = self._quit or key == "q"
        return self._quit or self._stop()
