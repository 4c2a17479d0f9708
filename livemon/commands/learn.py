"""`livemon vehicle learn DRIVE --vehicle V.toml --out W.toml`: calibrate a vehicle from a known-good
drive."""

from __future__ import annotations

import argparse
from pathlib import Path

from livemon.commands import outputs
from livemon.commands.say import say
from livemon.errors import RecordingError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recording", metavar="DRIVE", help="recording of a drive known to be healthy")
    parser.add_argument("--vehicle", required=True, metavar="V.toml", help="what is known so far")
    parser.add_argument("--out", required=True, metavar="W.toml", help="the calibrated vehicle file to write")
    parser.add_argument("--dbc", metavar="F.dbc", help="decode broadcast frames by this DBC")
    parser.add_argument("--j1939", action="store_true", help="decode SAE J1939 broadcasts")


def run(args: argparse.Namespace) -> int:
    """Learn and write; a drive that does not hold enough is refused, saying what is missing."""
    from livemon.commands.drive import decoder_of
    from livemon.estimate import Estimator
    from livemon.estimate.learning import Learner
    from livemon.records import Estimate
    from livemon.sources.recording import open_recording
    from livemon.vehicle_file import dump, load

    outputs.check(args)
    vehicle = load(args.vehicle)
    decoder = decoder_of(vehicle, args.dbc, args.j1939)
    estimator, learner = Estimator(vehicle), Learner(vehicle)
    start_s: float | None = None
    for frame in open_recording(args.recording):
        if start_s is None:
            start_s = frame.time_s
        for reading in decoder.feed(frame._replace(time_s=frame.time_s - start_s)):
            for item in estimator.feed(reading):
                if isinstance(item, Estimate):
                    learner.feed(item)
    for item in estimator.end():
        if isinstance(item, Estimate):
            learner.feed(item)
    lesson = learner.lesson(estimator.calibration, estimator.found_rpm_per_kmh)
    if lesson.missing:
        raise RecordingError(
            "a drive that shows enough to learn from", f"one that lacks {'; '.join(lesson.missing)}",
            args.recording, "record a longer drive with these in it",
        )  # fmt: skip
    dump(lesson.vehicle, args.out)
    spreads = ["", "# Learned from a known-good drive. Spreads (one standard deviation):"]
    if lesson.vehicle.tyre_radius_m is not None:
        radius = lesson.vehicle.tyre_radius_m.value
        spreads.append(
            f"#   tyre_radius_m {radius:.4f} +- {lesson.tyre_radius_sd_m:.4f}, as the speed reading has it"
        )
    spreads += [
        f"#   SR {p.speed_ratio:.3f}: K {p.k:.1f} +- {p.k_sd:.1f}, torque ratio {p.torque_ratio:.2f} +- "
        f"{p.torque_ratio_sd:.2f}"
        for p in lesson.points
    ]
    with Path(args.out).open("a", encoding="utf-8") as file:
        file.write("\n".join(spreads) + "\n")
    say(f"wrote {args.out}: tyre and {len(lesson.points)} points of the converter's curve")
    return 0
