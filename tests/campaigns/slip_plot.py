"""Slip, its band and the truth: python tests/campaigns/slip_plot.py [SEED] writes docs/estimator_slip.svg."""

from __future__ import annotations

import sys
from pathlib import Path

from livemon.estimate import Estimator
from livemon.obd.decode import Decoder
from livemon.records import Estimate
from livemon.simulate.fast import drive
from livemon.simulate.scenario import draw
from livemon.vehicle_file import parse

OUT = Path(__file__).parents[2] / "docs" / "estimator_slip.svg"


def main(seed: int) -> None:
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    scenario = draw("none", seed, 130.0, readings_per_s=25.0, order="smart")
    moving, decoder = drive(scenario, keep_truth=True), Decoder()
    estimator = Estimator(parse(scenario.vehicle_file_text(), "drawn vehicle"))
    out: list[Estimate] = []
    for frame in moving:
        for reading in decoder.feed(frame):
            out += [e for e in estimator.feed(reading) if isinstance(e, Estimate)]
    out = [e for e in out if e.slip_rpm is not None][::3]
    times = [e.time_s for e in out]
    slip = [e.slip_rpm or 0.0 for e in out]
    low = [s - 2.0 * e.slip_sd_rpm for s, e in zip(slip, out, strict=True)]
    high = [s + 2.0 * e.slip_sd_rpm for s, e in zip(slip, out, strict=True)]
    truth = [t.engine_rpm - t.turbine_rpm for t in map(moving.truth_at, times)]
    pyplot.rcParams["svg.hashsalt"] = "slip"
    figure, axes = pyplot.subplots(figsize=(8.0, 3.2))
    axes.fill_between(times, low, high, alpha=0.3, linewidth=0.0, label="two standard deviations")
    axes.plot(times, truth, linewidth=1.6, label="true slip")
    axes.plot(times, slip, linewidth=0.8, label="estimated")
    axes.set(xlabel="time [s]", ylabel="slip [rpm]", ylim=(-300.0, 1500.0))
    axes.legend(loc="upper right", fontsize="small")
    figure.tight_layout()
    figure.savefig(OUT, metadata={"Date": None})


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
