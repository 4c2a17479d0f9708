"""Writes a simulated drive to disk: NAME.log (candump layout), NAME.toml (vehicle file), NAME.expected.json.

    python -m livemon.simulate.record replays/lost_stator --fault stator_not_holding --seed 7 --seconds 300

The same command gives the same bytes on every machine.
"""

from __future__ import annotations

import argparse
import json
import shlex
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from livemon.errors import LivemonError
from livemon.records import Frame
from livemon.simulate.broadcast import heron_section
from livemon.simulate.fast import Overheard, drive
from livemon.simulate.scenario import FAULTS, Scenario, draw

EPOCH_S = 1_790_000_000.0  # recordings carry epoch seconds; this one is nobody's


def lines(frames: Iterable[Frame]) -> Iterable[str]:
    """candump's log layout, one frame a line."""
    for time_s, can_id, extended, data, channel in frames:
        yield f"({time_s:.6f}) {channel} {can_id:0{8 if extended else 3}X}#{data.hex().upper()}\n"


def scenario_of(arguments: argparse.Namespace) -> Scenario:
    """The scenario the command line asks for."""
    choices: dict[str, Any] = {
        "severity": arguments.severity,
        "style": arguments.style,
        "kind": arguments.kind,
        "readings_per_s": arguments.rate,
        "pids_per_ask": arguments.pids_per_ask,
        "most_pids": 6 if arguments.pids_per_ask else None,
        "order": arguments.order,
        "extended": arguments.extended,
    }
    given = {name: value for name, value in choices.items() if value is not None}
    return draw(arguments.fault, arguments.seed, arguments.seconds, **given)


def parser() -> argparse.ArgumentParser:
    """The command's arguments."""
    p = argparse.ArgumentParser(prog="python -m livemon.simulate.record", description=__doc__.split("\n")[0])
    p.add_argument("name", type=Path, help="path of the recording without its suffix")
    p.add_argument("--fault", default="none", choices=FAULTS)
    p.add_argument("--seed", type=int, default=0)
    p.add_argument("--seconds", type=float, default=300.0)
    p.add_argument("--severity", type=float, help="1 is what brings a car to a workshop, 0.3 is mild")
    p.add_argument("--style", choices=("mixed", "town", "highway", "delivery", "road_test"))
    p.add_argument("--kind", choices=("small_car", "sedan", "suv", "van", "pickup"))
    p.add_argument("--rate", type=float, help="readings per second")
    p.add_argument("--pids-per-ask", type=int)
    p.add_argument("--order", choices=("smart", "weighted", "round_robin"))
    p.add_argument("--extended", action="store_true", default=None, help="29-bit identifiers")
    p.add_argument("--broadcast", choices=("j1939", "heron"), help="overhear frames instead of asking")
    return p


def main(argv: Sequence[str] | None = None) -> int:
    """Make one recording. Exit status 0, or 2 when it cannot be made."""
    given = list(sys.argv[1:] if argv is None else argv)
    arguments = parser().parse_args(given)
    name: Path = arguments.name
    try:
        scenario = scenario_of(arguments)
        frames = (
            Overheard(scenario, arguments.broadcast, EPOCH_S)
            if arguments.broadcast
            else drive(scenario, start_s=EPOCH_S)
        )
        vehicle = scenario.vehicle_file_text()
        if arguments.broadcast == "heron":
            vehicle += heron_section()
        with name.with_suffix(".log").open("w", encoding="ascii", newline="\n") as log:
            log.writelines(lines(frames))
        name.with_suffix(".toml").write_text(vehicle, encoding="utf-8", newline="\n")
        given[given.index(str(name))] = f"{name.parent.name}/{name.name}"
        expected = {
            "call": {"finding": scenario.expected},
            "fault": scenario.fault,
            "command": shlex.join(["python", "-m", "livemon.simulate.record", *given]),
        }
        text = json.dumps(expected, indent=1) + "\n"
        name.with_suffix(".expected.json").write_text(text, encoding="utf-8", newline="\n")
    except LivemonError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_status
    except OSError as error:
        sys.stderr.write(
            f"{name}: cannot be written ({error.strerror}); give a path in a folder that exists\n"
        )
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
