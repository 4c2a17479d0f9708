"""`livemon demo`: a simulated vehicle on an in-process CAN bus, asked and judged exactly like a real one."""

from __future__ import annotations

import argparse
from dataclasses import replace

from livemon.commands import drive, options

SECONDS = 300.0
PEDAL_PID = 0x49
ADAPTER_S = (0.02, 0.035)  # from ask to answer
SEED = 0  # of 0, 1, 2 ... the first whose drives all end in their own call, a lost stator in the first launch


def add_arguments(parser: argparse.ArgumentParser) -> None:
    from livemon.simulate.scenario import FAULTS

    parser.add_argument(
        "--fault",
        metavar="FINDING",
        default="stator_not_holding",
        help=f"which fault it has: {', '.join(FAULTS)} (stator_not_holding); misfire is the engine's and"
        " should end in no finding",
    )
    parser.add_argument(
        "--seed", metavar="N", type=int, default=SEED, help=f"another vehicle, driver and road ({SEED})"
    )
    parser.add_argument(
        "--seconds", metavar="S", type=options.positive, default=SECONDS, help="how long it drives (300)"
    )
    options.add_pace(parser)
    options.add_outputs(parser)


def run(args: argparse.Namespace) -> int:
    from livemon.clock import Clock, MonotonicClock, VirtualClock
    from livemon.live import Live
    from livemon.obd.decode import Decoder
    from livemon.obd.schedule import Schedule
    from livemon.run import Run
    from livemon.simulate.scenario import draw
    from livemon.sources.reconnect import Reconnecting
    from livemon.sources.simulated import SimulatedSource
    from livemon.vehicle_file import parse

    # A drive that shows what there is; an adapter of some tens of asks a second; pedal and torque answered;
    # a vehicle file with gears and converter in it.
    scenario = draw(
        args.fault,
        args.seed,
        args.seconds,
        style="demonstration",
        severity=1.4,
        torque="reported",
        answer_s=ADAPTER_S,
    )
    answered = tuple(sorted({*scenario.unit.pids, PEDAL_PID}))
    complete = replace(scenario.shop, gives_gears=True, gives_converter=True)
    scenario = replace(scenario, unit=replace(scenario.unit, pids=answered), shop=complete)
    vehicle = parse(scenario.vehicle_file_text(), "the simulated vehicle")
    view, full_screen = drive.view_of(args)
    pace = args.pace if args.pace is not None else (1.0 if full_screen else 0.0)
    clock: Clock = MonotonicClock(pace) if pace > 0.0 else VirtualClock()
    source = SimulatedSource(scenario, clock)

    def carry(run: Run, stop: drive.Stop) -> None:
        link = Reconnecting(lambda: source, clock, run.tell)
        try:
            with drive.keys_of(full_screen) as keys:
                live = Live(run, link, Schedule(fuel=vehicle.fuel), clock, keys=keys.read)
                live.drive(lambda: stop() or source.finished)
        finally:
            link.close()
            source.close()  # the link has not opened it in a drive of no time at all

    name = f"simulated vehicle, fault {args.fault}, seed {args.seed}"
    return drive.carry_out(args, name, Decoder(), vehicle, carry, view)
