"""Times of the converter room:  python tests/bench/converter.py"""

from __future__ import annotations

import sys
from time import perf_counter

import numpy as np

from livemon.converter.derive import derive, shape_of
from livemon.converter.engine_torque import from_air_flow, from_reported
from livemon.converter.geometries import everything
from livemon.converter.mean_path import Geometry, operating_point


def best_ms(work, times: int = 20) -> float:  # type: ignore[no-untyped-def]
    """Least wall time [ms] of `times` runs."""
    took = []
    for _ in range(times):
        start = perf_counter()
        work()
        took.append(perf_counter() - start)
    return 1e3 * min(took)


def main() -> None:
    pump, turbine = np.random.default_rng(1).uniform(50.0, 500.0, (2, 10_000))
    geometry = Geometry()

    def first_curves() -> None:
        everything.cache_clear()
        shape_of.cache_clear()
        derive(150.0, 4.0, 2.0, 0.88)

    def next_curves() -> None:
        shape_of.cache_clear()
        derive(150.0, 4.0, 2.0, 0.88)

    for name, ms in (
        (
            "10,000 operating points, stator working (budget 50 ms)",
            best_ms(lambda: operating_point(geometry, pump, turbine)),
        ),
        ("curves, first of the process (budget 50 ms)", best_ms(first_curves, 5)),
        ("curves of another converter", best_ms(next_curves)),
        (
            "engine torque from air flow, 1000 readings",
            best_ms(lambda: [from_air_flow(40.0, 2000.0, 2.0) for _ in range(1000)]),
        ),
        (
            "engine torque as reported, 1000 readings",
            best_ms(lambda: [from_reported(40.0, 400.0, 9.0) for _ in range(1000)]),
        ),
    ):
        sys.stdout.write(f"{name:<60}{ms:>8.2f} ms\n")


if __name__ == "__main__":
    main()
