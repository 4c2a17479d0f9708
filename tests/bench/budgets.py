"""The budgets as ratios within one run: python tests/bench/budgets.py [RECORDING VEHICLE.toml]

Times are the best of three in turn, so that a busy machine spoils neither side. Memory is the peak of a
whole process. Without arguments it drives the simulated vehicle for ten minutes and measures on that.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import can

from livemon.commands.drive import decoder_of, replay_recording
from livemon.records import Frame
from livemon.run import Run
from livemon.simulate.fast import drive
from livemon.simulate.scenario import Scenario, draw
from livemon.vehicle_file import load, parse
from livemon.views.trace import TraceWriter

SEED = 1
READINGS_PER_S = 30.0
LONG_DRIVE_S = 8 * 3600.0


def best_of(runs: int, *jobs: Callable[[], object]) -> list[float]:
    """Seconds of each job, the best of `runs`, the jobs in turn."""
    best = [1e9] * len(jobs)
    for _ in range(runs):
        for i, job in enumerate(jobs):
            began = time.perf_counter()
            job()
            best[i] = min(best[i], time.perf_counter() - began)
    return best


def line(frame: Frame) -> str:
    width = 8 if frame.extended else 3
    return f"({frame.time_s:.6f}) {frame.channel} {frame.can_id:0{width}X}#{frame.data.hex().upper()}\n"


def scenario(seconds: float) -> Scenario:
    return draw("none", SEED, seconds, readings_per_s=READINGS_PER_S)


def record(folder: Path) -> tuple[Path, Path]:
    drawn = scenario(600.0)
    recording, vehicle = folder / "drive.log", folder / "drive.toml"
    recording.write_text("".join(map(line, drive(drawn, start_s=1.7e9))))
    vehicle.write_text(drawn.vehicle_file_text())
    return recording, vehicle


def measure_replay(recording: Path, vehicle: Path, folder: Path) -> None:
    def reference() -> None:
        for _ in can.LogReader(recording):
            pass

    readings = 0

    def ours() -> None:
        nonlocal readings
        known = load(vehicle)
        trace = TraceWriter(folder / "trace.csv")
        run = Run("bench", decoder_of(known, None, False), known, trace=trace)
        replay_recording(run, str(recording), pace=0.0, stop=lambda: False)
        run.end()
        trace.close()
        readings = run.readings

    theirs_s, ours_s = best_of(3, reference, ours)
    print(f"replay / python-can's LogReader     {ours_s / theirs_s:5.2f}   budget 2.5")
    print(f"per reading, everything on          {ours_s / readings * 1e6:5.1f} us")


def measure_start() -> None:
    def command(*words: str) -> Callable[[], object]:
        return lambda: subprocess.run([sys.executable, *words], capture_output=True, check=True)

    bare_s, help_s = best_of(5, command("-c", "pass"), command("-m", "livemon", "--help"))
    print(f"livemon --help / python -c pass     {help_s / bare_s:5.2f}   budget 3")


def peak_mb(seconds: float) -> float:
    """Peak memory of a process that judges a drive of so many seconds, the simulated vehicle included."""
    code = f"import tests.bench.budgets as b; b.judge_streaming({seconds})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return float(done.stdout)


def judge_streaming(seconds: float) -> None:
    drawn = scenario(seconds)
    vehicle = parse(drawn.vehicle_file_text(), "bench")
    run = Run("bench", decoder_of(vehicle, None, False), vehicle)
    for frame in drive(drawn):
        run.feed(frame)
    run.end()
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)


def main(arguments: list[str]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recording, vehicle = map(Path, arguments) if arguments else record(folder)
        measure_replay(recording, vehicle, folder)
    measure_start()
    short, long = peak_mb(600.0), peak_mb(LONG_DRIVE_S)
    print(f"memory, 10 min and 8 h              {short:5.1f} MB, {long:.1f} MB   budget 90 MB, 5 MB apart")


if __name__ == "__main__":
    main(sys.argv[1:])
