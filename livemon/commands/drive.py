"""What demo, watch and replay have in common: opening the outputs, stopping cleanly, writing the result."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from types import FrameType
from typing import Any, TextIO

from livemon.clock import MonotonicClock
from livemon.commands import outputs
from livemon.commands.say import mention, say
from livemon.errors import LivemonError, RecordingError, UsageError
from livemon.run import Decoder, Run, replay
from livemon.vehicle import Vehicle, of_any_weight
from livemon.views import result
from livemon.views.keys import Keys
from livemon.views.plain import Plain, usable_screen
from livemon.views.snapshot import Drive, Marker, View
from livemon.views.trace import TraceWriter


class Stop:
    """Whether somebody asked for the end. Ctrl-C is an interruption; a service stop or hang-up is an end."""

    def __init__(self) -> None:
        self.asked = False
        self.interrupted = False

    def __call__(self) -> bool:
        return self.asked

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Turn signals into this flag; a second Ctrl-C ends at once the drive or the output at work."""

        def on_signal(number: int, _: FrameType | None) -> None:
            if number == signal.SIGINT and self.asked:
                raise KeyboardInterrupt
            self.asked = True
            self.interrupted = self.interrupted or number == signal.SIGINT

        names = ("SIGINT", "SIGTERM", "SIGHUP")  # not every system has the last
        numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
        before = {number: signal.signal(number, on_signal) for number in numbers}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def vehicle_of(path: str | None, j1939: bool) -> Vehicle:
    """The vehicle file's vehicle. What speaks J1939 may weigh anything, unless the file says."""
    from livemon.vehicle_file import load

    vehicle = load(path) if path else Vehicle()
    return of_any_weight(vehicle) if j1939 else vehicle


def decoder_of(vehicle: Vehicle, dbc: str | None, j1939: bool) -> Decoder:
    """The decoder the options ask for."""
    if dbc and j1939:
        raise UsageError("--dbc or --j1939", "both", "livemon", "choose one")
    if dbc:
        from livemon.obd.together import Together
        from livemon.sources.dbc import DbcDecoder

        return Together(DbcDecoder(dbc, vehicle.broadcast))
    if j1939:
        from livemon.obd.j1939 import J1939Decoder

        return J1939Decoder()
    from livemon.obd.decode import Decoder as ObdDecoder

    return ObdDecoder()


def view_of(args: argparse.Namespace) -> tuple[View, bool]:
    """The view for this terminal, and whether it is the full screen.

    Standard output that was given to JSON carries nothing else.
    """
    if args.json == "-":
        return Plain(sys.stderr, bell=args.bell), False
    if args.no_screen or not usable_screen():
        return Plain(bell=args.bell), False
    from livemon.views.screen import Screen

    return Screen(fps=args.fps, bell=args.bell), True


def keys_of(full_screen: bool) -> AbstractContextManager[Keys]:
    """Key presses: q ends the drive, m marks a moment. Only where the screen says so."""
    return Keys() if full_screen else nullcontext(Keys())


def check_outputs(args: argparse.Namespace) -> None:
    """Refuse an output that cannot be written before the drive, not after it."""
    outputs.check(args)
    if args.report:
        from livemon.views import report

        report.check()


def carry_out(
    args: argparse.Namespace,
    source: str,
    decoder: Decoder,
    vehicle: Vehicle,
    drive: Callable[[Run, Stop], None],
    view: View,
    *,
    remember: bool = False,
) -> int:
    """Drive through all stages, then write every output, whatever ended the drive. Gives the exit status.

    remember: keep the result in the history of past checks.
    """
    check_outputs(args)
    trace = TraceWriter(args.trace) if args.trace else None
    run = Run(source, decoder, vehicle, view=view, trace=trace)
    stop = Stop()
    failure: Exception | None = None
    with stop.listening():  # to the last output: the report alone takes seconds
        try:
            try:
                drive(run, stop)
            except Exception as error:  # even one of our own: what was seen till then is judged and written
                failure = error
                if not run.readings:
                    raise
            summary = run.end()
        except BaseException:
            view.close(None)
            raise
        finally:
            if trace is not None:
                trace.close()
        built = result.build(summary)
        writes: dict[str, Callable[[], None]] = {"the call": lambda: view.close(summary)}
        if args.json:
            writes["--json"] = lambda: result.write(built, args.json)
        if remember and run.readings:  # a board that waits for the ignition would fill it with nothing
            writes["the history"] = lambda: _keep(built, summary)
        if trace is not None:
            writes["--trace"] = trace.check
        if args.report:  # the slow one comes last
            told_on = sys.stderr if args.json == "-" else None
            writes["--report"] = lambda: _write_report(args.report, summary, told_on)
        outputs.write_all(writes, failed=failure)
    return 130 if stop.interrupted else 0


def _write_report(path: str, summary: Drive, told_on: TextIO | None) -> None:
    from livemon.views import report

    report.write(path, summary)
    say(f"Report: {path}", to=told_on)


def _keep(built: dict[str, Any], summary: Drive) -> None:
    from livemon.store.history import History

    try:
        History().add(built, summary.vin, summary.driven)
    except LivemonError as error:  # a full or read-only disk loses the memory of a drive, not its result
        mention(f"livemon: not kept in the history: {error}")


def replay_recording(run: Run, path: str, *, pace: float, stop: Callable[[], bool]) -> None:
    """Replay one recording through the run."""
    from livemon.sources.recording import open_recording

    recording = open_recording(path, run.decoder.wanted_ids, stop)
    try:
        replay(run, recording, pace=pace, clock=MonotonicClock(), stop=stop)
    finally:
        run.frames = recording.frames
        run.start_s = recording.start_s
        run.link_counters = recording.counters
        run.time_s = max(run.time_s, recording.duration_s)
        run.markers = [Marker(time_s, text) for time_s, text in recording.markers]
        for notice in recording.notices:
            run.tell(notice)
    if not run.readings and not stop():
        raise RecordingError(
            "readings from diagnostic answers or broadcast frames",
            f"{recording.frames} frames and none of them",
            path,
            "give --dbc or --j1939 if the vehicle broadcasts, or record while asking",
        )


def judge(
    recording: str, vehicle_path: str | None = None, *, dbc: str | None = None, j1939: bool = False
) -> dict[str, Any]:
    """The result of one recording, without a screen."""
    vehicle = vehicle_of(vehicle_path, j1939)
    run = Run(recording, decoder_of(vehicle, dbc, j1939), vehicle)
    replay_recording(run, recording, pace=0.0, stop=lambda: False)
    return result.build(run.end())
