"""The report's figures as inline SVG. The only place with matplotlib; no text from outside enters here."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from io import StringIO
from math import isfinite
from typing import Any, Final

from livemon.converter.curves import GRID_STEPS, Curves
from livemon.records import Oscillation
from livemon.views.snapshot import Drive, Point, SlipSpan

# Print well in grey: darkness and line style carry the meaning, not the hue.
SOUND, LOST, SEIZED, SEEN = "#1f4e79", "#b03030", "#707070", "#222222"
FLOOR_RPM: Final = 10.0  # slip is drawn linear below this and logarithmic above
SETTINGS: Final[Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "livemon",
    "font.family": "sans-serif",
    "font.size": 9.0,
}
MARKS: Final = 60  # warnings and markers drawn; the tables have all
POINTS: Final = 200  # drawn at most, so that the page stays small
_GRID: Final = tuple(i / GRID_STEPS for i in range(GRID_STEPS + 1))


def all_figures(drive: Drive) -> dict[str, str]:
    """SVG text by name; a figure with nothing to show is left out."""
    figures: dict[str, str] = {}
    if drive.curves is not None:
        figures["capacity"] = _svg(lambda axes: _capacity(axes, drive.curves, drive.points), 5.2, 3.4)
        figures["torque_ratio"] = _svg(lambda axes: _torque_ratio(axes, drive.curves, drive.points), 5.2, 3.4)
    if drive.slip:
        figures["slip"] = _svg(lambda axes: _slip(axes, drive), 10.6, 3.2)
    shakes = [o for o in drive.shakes if isfinite(o.amplitude_rpm) and 0.0 < o.frequency_hz < 1e3]
    if shakes:
        figures["shake_spectrum"] = _svg(lambda axes: _spectrum(axes, shakes), 5.2, 3.0)
        figures["shake_time"] = _svg(lambda axes: _shake_time(axes, shakes), 5.2, 3.0)
    return figures


def _svg(draw: Callable[[Any], None], width_in: float, height_in: float) -> str:
    """Draw on one pair of axes and return the <svg> element alone, the same for the same input."""
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context(SETTINGS):
        figure = Figure(figsize=(width_in, height_in))
        left, foot = 0.8 / width_in, 0.5 / height_in
        axes = figure.add_axes((left, foot, 1.0 - left - 0.1 / width_in, 1.0 - foot - 0.1 / height_in))
        axes.grid(True, linewidth=0.4, color="#cccccc")
        axes.spines[["top", "right"]].set_visible(False)
        draw(axes)
        out = StringIO()
        figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    svg = out.getvalue()
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    return svg[svg.index("<svg") :]


def _band(axes: Any, middle: Sequence[float], sd: Sequence[float]) -> None:
    low = [m - 2.0 * s for m, s in zip(middle, sd, strict=True)]
    high = [m + 2.0 * s for m, s in zip(middle, sd, strict=True)]
    axes.fill_between(_GRID, low, high, color=SOUND, alpha=0.15, linewidth=0, label="sound, with its band")
    axes.plot(_GRID, middle, color=SOUND, linewidth=1.6, label="sound")


def _seen(axes: Any, points: Sequence[Point], values: Sequence[float | None], sds: Sequence[float]) -> None:
    shown = [
        (p.speed_ratio, v, 2.0 * sd if isfinite(sd) else 0.0)
        for p, v, sd in zip(points, values, sds, strict=True)
        if v is not None and isfinite(v + p.speed_ratio)
    ]
    if not shown:
        return
    shown = shown[:: 1 + len(shown) // POINTS]
    ratios, seen, errors = zip(*shown, strict=True)
    axes.errorbar(
        ratios,
        seen,
        yerr=errors,
        fmt="o",
        markersize=2.5,
        color=SEEN,
        elinewidth=0.3,
        alpha=0.6,
        label="seen",
    )


def _finish(axes: Any, ylabel: str, low: float, high: float) -> None:
    axes.set(xlim=(0.0, 1.0), ylim=(low, high), xlabel="speed ratio (turbine / pump speed)", ylabel=ylabel)
    axes.legend(fontsize=7, frameon=False)


def _capacity(axes: Any, curves: Curves | None, points: Sequence[Point]) -> None:
    assert curves is not None
    _band(axes, curves.k, curves.k_sd)
    axes.plot(_GRID, curves.k_lost, color=LOST, linestyle="--", linewidth=1.2, label="no stator reaction")
    axes.plot(_GRID, curves.k_seized, color=SEIZED, linestyle=":", linewidth=1.4, label="stator seized")
    _seen(axes, points, [p.k for p in points], [p.k_sd for p in points])
    _finish(
        axes, "capacity factor K, rpm / √(N m)", 0.5 * min(curves.k_lost[0], curves.k[0]), 2.2 * curves.k[0]
    )


def _torque_ratio(axes: Any, curves: Curves | None, points: Sequence[Point]) -> None:
    assert curves is not None
    _band(axes, curves.tr, curves.tr_sd)
    axes.axhline(1.0, color=LOST, linestyle="--", linewidth=1.2, label="no stator reaction")
    axes.plot(_GRID, curves.tr_seized, color=SEIZED, linestyle=":", linewidth=1.4, label="stator seized")
    _seen(axes, points, [p.torque_ratio for p in points], [p.torque_ratio_sd for p in points])
    _finish(axes, "torque ratio (turbine / pump torque)", 0.4, max(curves.tr) + 0.5)


def _slip(axes: Any, drive: Drive) -> None:
    spans = [s for s in drive.slip if isfinite(s.low_rpm + s.high_rpm + s.start_s)]
    times = [s.start_s for s in spans]
    axes.fill_between(
        times, [s.low_rpm for s in spans], [s.high_rpm for s in spans], color=SOUND, alpha=0.3, linewidth=0,
        label="lowest to highest",
    )  # fmt: skip
    axes.plot(times, [s.mean_rpm for s in spans], color=SOUND, linewidth=0.9, label="mean")
    for i, (start_s, end_s) in enumerate(_locked(spans)):
        axes.axvspan(
            start_s, end_s, ymin=0.0, ymax=0.03, color="#444444", label=None if i else "clutch locked"
        )
    for i, warning in enumerate(drive.warnings):
        if isfinite(warning.time_s) and i < MARKS:
            axes.axvline(warning.time_s, color=LOST, linewidth=0.9, linestyle="-" if warning.raised else ":")
            axes.annotate(f"W{i + 1}", (warning.time_s, 0.96), xycoords=("data", "axes fraction"), fontsize=7)
    for i, marker in enumerate(drive.markers):
        if isfinite(marker.time_s) and i < MARKS:
            axes.axvline(marker.time_s, color="#444444", linewidth=0.6, linestyle="-.")
            axes.annotate(f"M{i + 1}", (marker.time_s, 0.88), xycoords=("data", "axes fraction"), fontsize=7)
    axes.set_yscale("symlog", linthresh=FLOOR_RPM)
    axes.yaxis.set_major_formatter("{x:.0f}")
    end_s = max([1.0, *times, drive.duration_s if isfinite(drive.duration_s) else 0.0])
    axes.set(xlim=(0.0, end_s), xlabel="time in the drive, s", ylabel="slip, rpm")
    axes.legend(fontsize=7, frameon=False, ncols=3)


def _locked(spans: Sequence[SlipSpan]) -> list[tuple[float, float]]:
    """Stretches with the converter clutch locked."""
    stretches: list[tuple[float, float]] = []
    start_s: float | None = None
    for span in spans:
        if span.locked and start_s is None:
            start_s = span.start_s
        elif not span.locked and start_s is not None:
            stretches.append((start_s, span.start_s))
            start_s = None
    if start_s is not None:
        stretches.append((start_s, spans[-1].start_s))
    return stretches


def _spectrum(axes: Any, shakes: Sequence[Oscillation]) -> None:
    for certain, marker, label in ((False, "o", "may be chance"), (True, "s", "not chance (below 1 in 100)")):
        chosen = [o for o in shakes if (o.false_alarm_probability < 0.01) == certain]
        if chosen:
            axes.plot(
                [o.frequency_hz for o in chosen], [o.amplitude_rpm for o in chosen], marker, markersize=3.5,
                color=SEEN, markerfacecolor=SEEN if certain else "none", linestyle="none", label=label,
            )  # fmt: skip
    visible = [o.highest_visible_hz for o in shakes if isfinite(o.highest_visible_hz)]
    if visible:
        axes.axvline(max(visible), color=SEIZED, linestyle=":", label="readings show nothing faster")
    axes.set(xlabel="frequency, Hz", ylabel="swing of slip, rpm", xlim=(0.0, None), ylim=(0.0, None))
    axes.legend(fontsize=7, frameon=False)


def _shake_time(axes: Any, shakes: Sequence[Oscillation]) -> None:
    times, swings = [o.time_s for o in shakes], [o.amplitude_rpm for o in shakes]
    axes.vlines(times, 0.0, swings, color=SOUND, linewidth=1.0)
    axes.set(xlabel="time in the drive, s", ylabel="strongest swing of slip, rpm", ylim=(0.0, None))
