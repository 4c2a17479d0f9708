"""What the estimator costs: python tests/bench/estimator.py [SEED ...]

As a ratio in one run: microseconds per reading beside python-can's LogReader per frame of the same drive,
best of three in turn. An asked reading is two frames.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import can

from livemon.estimate import Estimator
from livemon.obd.decode import Decoder
from livemon.records import Reading
from livemon.simulate.fast import drive
from livemon.simulate.scenario import draw
from livemon.vehicle import Vehicle
from livemon.vehicle_file import parse


def estimate(vehicle: Vehicle, readings: list[Reading]) -> float:
    began = time.perf_counter()
    estimator = Estimator(vehicle)
    for reading in readings:
        estimator.feed(reading)
    estimator.end()
    return time.perf_counter() - began


def read(path: Path) -> float:
    began = time.perf_counter()
    for _ in can.LogReader(path):
        pass
    return time.perf_counter() - began


def measure(seed: int) -> None:
    scenario = draw("none", seed, 300.0, readings_per_s=30.0, order="smart")
    decoder, readings, lines = Decoder(), list[Reading](), []
    for frame in drive(scenario, start_s=1.7e9):
        width = 8 if frame.extended else 3
        lines.append(f"({frame.time_s:.6f}) can0 {frame.can_id:0{width}X}#{frame.data.hex().upper()}\n")
        readings += decoder.feed(frame._replace(time_s=frame.time_s - 1.7e9))
    vehicle = parse(scenario.vehicle_file_text(), "drawn")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.log"
        path.write_text("".join(lines))
        pairs = [(estimate(vehicle, readings), read(path)) for _ in range(3)]
    ours, theirs = min(p[0] for p in pairs) / len(readings), min(p[1] for p in pairs) / len(lines)
    print(
        f"seed {seed}: {1e6 * ours:.1f} us a reading, LogReader {1e6 * theirs:.1f} us a frame, "
        f"ratio {ours / theirs:.2f} ({len(readings)} readings, {len(lines)} frames)"
    )


if __name__ == "__main__":
    for argument in sys.argv[1:] or ["1", "5", "9"]:
        measure(int(argument))
