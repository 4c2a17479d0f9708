"""Many drives of the second simulator through livemon, against their truth.

    python -m tests.campaigns.second_opinion.campaign --drives 20 --seed 1
    python -m tests.campaigns.second_opinion.campaign --seed 1 --only 7 --keep DIR

The same seed and number give the same drive, whatever else is run. --keep writes recording, vehicle file,
truth and result of each drive.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

from livemon.commands.drive import decoder_of
from livemon.records import Estimate, Frame, Warning
from livemon.run import Run
from livemon.vehicle import Vehicle
from livemon.vehicle_file import parse
from livemon.views import result
from livemon.views.snapshot import Drive as Ended
from livemon.views.snapshot import Snapshot

from . import cars, driver, tester
from .measure import Drive, line_of, measure, summary
from .vehicle import STEP_S, drive

KINDS = ("converter",) * 9 + ("manual", "dual_clutch")


class Kept:
    """Stands where the trace and the screen would: keeps settled estimates, and when warnings came."""

    def __init__(self) -> None:
        self.notice = ""
        self.due_s = float("inf")
        self.estimates: list[Estimate] = []
        self.warnings: list[tuple[float, Warning]] = []
        self.now_s = 0.0

    def write(self, e: Estimate) -> None:
        self.estimates.append(e)

    def warn(self, warning: Warning) -> None:
        self.warnings.append((self.now_s, warning))

    def update(self, snapshot: Snapshot) -> None: ...

    def close(self, drive: Ended | None = None) -> None: ...


def run_one(
    seed: int,
    number: int,
    *,
    fault: str | None = None,
    kind: str | None = None,
    torque: str | None = None,
    seconds: float | None = None,
    keep: Path | None = None,
) -> Drive:
    """Drive number `number` of the seed, judged."""
    rng = Random(f"{seed}/{number}")
    drawn_kind, drawn_fault = rng.choice(KINDS), rng.choice((*cars.FAULTS, "none", "none"))
    kind = kind or ("converter" if fault else drawn_kind)
    fault = fault or drawn_fault
    if kind != "converter" and fault not in ("engine_low_output", "driveline_drag"):
        fault = "none"
    seconds = seconds or rng.uniform(240.0, 480.0)
    car = cars.draw(rng, fault, kind)
    name = rng.choice(("traffic", "urban", "road_test", "road_test"))
    car = replace(car, lock_in_coast=rng.random() < 0.35)
    began_s = time.process_time()
    # Each part draws on its own, so that a change to one leaves the others of a seed as they were.
    road, unit, shop = (Random(f"{seed}/{number}/{part}") for part in ("road", "unit", "shop"))
    history = drive(car, driver.draw(name, seconds, road), seconds, road)
    polling = tester.draw(car, unit, torque)
    wire = list(tester.frames(tester.Unit(car, polling, history, unit), seconds))
    text = cars.vehicle_text(car, shop) if shop.random() < 0.93 else None
    simulated_s = time.process_time() - began_s

    began_s = time.process_time()
    vehicle = parse(text, "second_opinion.toml") if text else Vehicle()
    kept = Kept()
    run = Run("second opinion", decoder_of(vehicle, None, False), vehicle, view=kept, trace=kept)
    run.frames = len(wire)
    for frame in wire:
        kept.now_s = frame.time_s
        run.feed(frame)
    run.time_s = wire[-1].time_s
    judged = result.build(run.end())
    cost_s = (simulated_s, time.process_time() - began_s)

    found = Drive(number, car, polling, name, text is not None, history, judged, kept.warnings, cost_s=cost_s)
    measure(found, kept.estimates, _speeds(wire))
    if keep:
        _write(keep / f"{seed}_{number}", found, wire, text)
    return found


def _speeds(wire: list[Frame]) -> list[tuple[float, float]]:
    """Road speed as the engine unit told it, the way a plain gauge would take it."""
    found = []
    for frame in wire:
        data = frame.data
        if frame.can_id != 0x7E8:
            continue
        if data[0] < 8 and data[1:3] == b"\x41\x0d":
            found.append((frame.time_s, float(data[3])))
        elif data[0] == 0x10 and data[2:4] == b"\x41\x0c" and data[6] == 0x0D:
            found.append((frame.time_s, float(data[7])))
        elif data[0] < 8 and data[1:3] == b"\x41\x0c" and data[5] == 0x0D:
            found.append((frame.time_s, float(data[6])))
    return found


def _write(stem: Path, found: Drive, wire: list[Frame], text: str | None) -> None:
    """Recording, vehicle file, truth and result beside each other, for whoever wants to look closer."""
    stem.parent.mkdir(parents=True, exist_ok=True)
    with stem.with_suffix(".log").open("w", encoding="utf-8") as out:
        for frame in wire:
            out.write(f"({1.6e9 + frame.time_s:.6f}) can0 {frame.can_id:03X}#{frame.data.hex().upper()}\n")
    if text:
        stem.with_suffix(".toml").write_text(text, encoding="utf-8")
    stem.with_suffix(".json").write_text(json.dumps(found.result, indent=1), encoding="utf-8")
    history = found.history
    with stem.with_suffix(".csv").open("w", encoding="utf-8") as out:
        out.write("time_s,engine_rpm,turbine_rpm,gear,locked,settled,speed_m_s,brake_nm,said_nm,pedal\n")
        for i in range(0, len(history.engine_rpm), 10):
            time_s = i * STEP_S
            now = history.moment(time_s)
            out.write(
                f"{time_s:.3f},{history.engine_rpm[i]:.1f},{history.turbine_rpm[i]:.1f},{now.gear},{now.locked:d},"
                f"{now.settled:d},{now.speed_m_s:.3f},{now.brake_nm:.1f},{now.said_nm:.1f},{now.pedal:.3f}\n"
            )
    told = f"{found.car}\n\n{found.polling}\n\n{line_of(found)}\n"
    stem.with_suffix(".truth").write_text(told, encoding="utf-8")


def main(arguments: list[str] | None = None) -> int:
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("--drives", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first drive")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fault", choices=cars.FAULTS)
    parser.add_argument("--kind", choices=sorted(set(KINDS)))
    parser.add_argument("--torque", choices=sorted(tester.TORQUE))
    parser.add_argument("--only", type=int, help="one drive of the seed; prints its whole result")
    parser.add_argument("--keep", type=Path, metavar="DIR")
    args = parser.parse_args(arguments)
    options: dict[str, Any] = {
        "fault": args.fault,
        "kind": args.kind,
        "torque": args.torque,
        "keep": args.keep,
    }
    if args.only is not None:
        found = run_one(args.seed, args.only, **options)
        print(json.dumps(found.result, indent=1))
        print(f"{found.car}\n{found.polling}\n{found.slip}\n{line_of(found)}")
        for time_s, warning in found.warnings:
            change = "raised" if warning.raised else "withdrawn"
            print(f"{time_s:.1f} s: {change} {warning.finding} {warning.probability:.2f}")
        return 0
    drives = []
    for number in range(args.first, args.first + args.drives):
        drives.append(run_one(args.seed, number, **options))
        print(line_of(drives[-1]), flush=True)
    print(summary(drives))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
