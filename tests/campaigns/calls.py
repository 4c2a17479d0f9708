"""Are the calls right, and do the probabilities mean what they say? Some hundred simulated drives.

    nice python tests/campaigns/calls.py --drives 240 --processes 2 --write

Vehicle, converter, grade, load, torque bias, poll rate and driver are drawn anew for every drive. --write
puts the tables into docs/diagnosis.md. Seeds start at --first: two runs need not see the same vehicles.
--frames: how the drive is read, polled or by what a vehicle broadcasts (SAE J1939, or a layout of its own).
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator
from multiprocessing import Pool
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from calls_tables import tables  # it lies beside this file, which is run as a script

from livemon.obd.decode import Decoder as ObdDecoder
from livemon.obd.j1939 import J1939Decoder
from livemon.run import Run
from livemon.simulate import fast, scenario
from livemon.simulate.broadcast import heron_section
from livemon.sources.dbc import DbcDecoder
from livemon.vehicle_file import parse

ROOT = Path(__file__).parents[2]
DOC = ROOT / "docs" / "diagnosis.md"
BEGIN, END = "<!-- campaign: begin -->", "<!-- campaign: end -->"
# Half of the drives are sound (a misfire among them: it shakes, but no finding of ours is its name).
PLAN = (
    "none", "stator_not_holding", "none", "stator_seized", "none", "lockup_shudder", "none", "lockup_slip",
    "misfire", "lockup_never_applied", "none", "gear_slip", "none", "engine_low_output", "none",
    "driveline_drag",
)  # fmt: skip


def one(job: tuple[str, int, str]) -> dict[str, Any]:
    """Drive one scenario and judge it. `shown`: the drive really contained what shows the fault."""
    fault, seed, frames = job
    drawn = scenario.draw(fault, seed)
    drive, run = _read(drawn, frames)
    shown, next_s = 0.0, 0.0
    for frame in drive:
        run.feed(frame)
        if frame.time_s >= next_s:
            next_s = frame.time_s + 0.25
            shown += 0.25 * _shows(fault, drive, drawn)
    run.end()
    return {
        "fault": fault,
        "expected": drawn.expected,
        "seed": seed,
        "seconds": drawn.seconds,
        "readings_per_s": drawn.poll.readings_per_s if frames == "polled" else run.readings / drawn.seconds,
        "torque": drawn.unit.torque if frames == "polled" else "reported",
        "style": drawn.driver.style,
        "shown_s": shown,
        "launches": len(run.diagnoser.launches),
        "call": run.diagnoser.call().finding,
        "probabilities": run.diagnoser.standing(),
        "warnings": sum(w.raised for w in run.warnings),
    }


def _read(drawn: scenario.Scenario, frames: str) -> tuple[fast.Drive | fast.Overheard, Run]:
    """The drive's frames, and the run that takes them in."""
    text = drawn.vehicle_file_text() + (heron_section() if frames == "heron" else "")
    vehicle = parse(text, "drawn")
    if frames == "polled":
        return fast.drive(drawn), Run("", ObdDecoder(), vehicle)
    if frames == "j1939":
        return fast.Overheard(drawn, "j1939"), Run("", J1939Decoder(), vehicle)
    decoder = DbcDecoder(str(ROOT / "dbc_demo" / "heron.dbc"), vehicle.broadcast)
    return fast.Overheard(drawn, "heron"), Run("", decoder, vehicle)


def _shows(fault: str, drive: fast.Drive | fast.Overheard, drawn: scenario.Scenario) -> bool:
    """Whether this moment of the true drive shows the fault at all."""
    t = drive.truth
    under_power = t.pump_torque_nm > 0.2 * drawn.engine.peak_torque_nm
    if fault == "stator_not_holding":
        gone = t.stator in ("free", "slipping")
        return gone and under_power and t.speed_ratio < 0.7 and t.road_kmh > 1.0
    if fault == "stator_seized":
        return under_power and t.clutch == "open" and t.speed_ratio > 0.88
    if fault in ("lockup_shudder", "lockup_slip"):
        return t.clutch == "slipping" or (t.clutch == "applying" and t.engine_rpm - t.turbine_rpm > 40.0)
    if fault == "lockup_never_applied":
        return t.road_kmh > 65.0 and abs(t.accel_m_s2) < 0.35 and t.pedal > 0.02
    if fault == "gear_slip":
        turbine = t.road_kmh / 3.6 / drawn.body.tyre_radius_m * 9.5493 * drawn.gearbox.final_drive
        turbine *= drawn.gearbox.ratios[max(t.gear, 1) - 1]
        return not t.shifting and t.gear > 0 and t.turbine_rpm > 1.04 * turbine + 20.0
    return under_power and t.road_kmh > 5.0


def jobs(count: int, first: int, faults: list[str], frames: str) -> Iterator[tuple[str, int, str]]:
    """(fault, seed, how it is read) of every drive."""
    plan = faults or list(PLAN)
    for i in range(count):
        yield plan[i % len(plan)], first + i, frames


def main() -> int:
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("--drives", type=int, default=240)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--faults", nargs="*", default=[], choices=scenario.FAULTS)
    parser.add_argument("--frames", default="polled", choices=("polled", "j1939", "heron"))
    parser.add_argument("--raw", type=Path, help="also write one JSON line a drive here")
    parser.add_argument("--write", action="store_true", help="put the tables into docs/diagnosis.md")
    given = parser.parse_args()
    os.nice(10)
    todo = list(jobs(given.drives, given.first, given.faults, given.frames))
    if given.processes > 1:
        with Pool(given.processes) as pool:
            rows = list(pool.imap_unordered(one, todo))
    else:
        rows = [one(job) for job in todo]
    if given.raw:
        given.raw.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    text = tables(rows)
    sys.stdout.write(text)
    if given.write:
        page = DOC.read_text(encoding="utf-8")
        before, rest = page.split(BEGIN)
        DOC.write_text(f"{before}{BEGIN}\n{text}{END}{rest.split(END)[1]}", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
