"""`livemon vehicle learn DRIVE --vehicle V.toml --out W.toml`: calibrate a vehicle from a known-good
drive."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from livemon.commands import outputs
from livemon.commands.say import say
from livemon.errors import RecordingError
from livemon.records import TITLES

if TYPE_CHECKING:
    from livemon.estimate.learning import Learner
    from livemon.records import Estimate

_LIKELY = 0.5  # of a fault, from which the drive is no lesson
_DOUBT = 0.15  # from which it is worth a line beside what was learned


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recording", metavar="DRIVE", help="recording of a drive known to be healthy")
    parser.add_argument("--vehicle", required=True, metavar="V.toml", help="what is known so far")
    parser.add_argument("--out", required=True, metavar="W.toml", help="the calibrated vehicle file to write")
    parser.add_argument("--dbc", metavar="F.dbc", help="decode broadcast frames by this DBC")
    parser.add_argument("--j1939", action="store_true", help="decode SAE J1939 broadcasts")


def run(args: argparse.Namespace) -> int:
    """Learn and write; a drive that does not hold enough is refused, saying what is missing."""
    from livemon.commands.drive import decoder_of, replay_recording, vehicle_of
    from livemon.estimate.learning import Learner
    from livemon.run import Run
    from livemon.vehicle_file import dump

    outputs.check(args)
    vehicle = vehicle_of(args.vehicle, args.j1939)
    decoder = decoder_of(vehicle, args.dbc, args.j1939)
    learner = Learner(vehicle)
    drive = Run(args.recording, decoder, vehicle, trace=_Listener(learner))
    replay_recording(drive, args.recording, pace=0.0, stop=lambda: False)
    ended = drive.end()
    likeliest = max((n for n in ended.probabilities if n != "none"), key=ended.probabilities.__getitem__)
    share = ended.probabilities[likeliest]
    if share > _LIKELY:  # a fault must not become the baseline
        raise RecordingError(
            "a drive of a sound vehicle",
            f"one that rather shows {TITLES[likeliest]} ({100 * share:.0f} %)",
            args.recording, "replay it to see why; learn from a drive made after the repair",
        )  # fmt: skip
    lesson = learner.lesson(drive.estimator.calibration, drive.estimator.found_rpm_per_kmh)
    if lesson.missing:
        raise RecordingError(
            "a drive that shows enough to learn from", f"one that lacks {'; '.join(lesson.missing)}",
            args.recording, "record a longer drive with these in it, or add to the file what it lacks",
        )  # fmt: skip
    lines = list(lesson.lines)
    if share > _DOUBT:
        lines.append(f"in doubt: {TITLES[likeliest]} is not ruled out by this drive ({100 * share:.0f} %)")
    head = "# Learned from a known-good drive; ± is two standard deviations, all errors in them:"
    dump(lesson.vehicle, args.out, ["", head, *(f"#   {line}" for line in lines)])
    say(f"wrote {args.out}:", *(f"  {line}" for line in lines))
    return 0


class _Listener:
    """Stands where the trace would: every settled estimate of the drive goes to the learner."""

    notice = ""

    def __init__(self, learner: Learner) -> None:
        self._learner = learner

    def write(self, e: Estimate) -> None:
        self._learner.feed(e)

    def close(self) -> None:
        """Nothing is open."""
