"""Draws the figures of docs/converter.md:  python docs/figures/converter_figures.py  (needs matplotlib)."""

from __future__ import annotations

import sys
from dataclasses import replace
from math import radians, tan
from pathlib import Path

import matplotlib as mpl
import numpy as np

mpl.use("svg")
mpl.rcParams.update(
    {"svg.fonttype": "none", "svg.hashsalt": "livemon", "font.size": 9, "axes.grid": True, "grid.alpha": 0.3}
)
from matplotlib import pyplot as plt  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402
from matplotlib.patches import Wedge  # noqa: E402

from livemon.converter.derive import SPEED_RATIO, derive  # noqa: E402
from livemon.converter.mean_path import Geometry, Stator, characteristic  # noqa: E402
from livemon.converter.stall import Stall, read  # noqa: E402

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent.parent / "tests" / "campaigns"))
from converters import converters  # noqa: E402

STATES: dict[Stator, tuple[str, str]] = {
    "working": ("stator working", "-"),
    "free": ("stator free at every SR: reaction lost", "--"),
    "held": ("stator held at every SR: seized", ":"),
    "none": ("no stator: fluid coupling", "-."),
}


def save(figure: Figure, name: str) -> None:
    figure.tight_layout()
    figure.savefig(HERE / f"converter_{name}.svg", metadata={"Date": None})
    plt.close(figure)


def section() -> None:
    """Half section through the wheels: one mean streamline, three radii."""
    figure, axes = plt.subplots(figsize=(4.6, 3.6))
    centre, outer, inner = (0.0, 2.0), 1.0, 0.42
    for name, start, end, shade in (
        ("pump", -50.0, 89.0, "0.72"),
        ("turbine", 91.0, 230.0, "0.84"),
        ("stator", 232.0, 308.0, "0.60"),
    ):
        axes.add_patch(Wedge(centre, outer, start, end, width=outer - inner, facecolor=shade, edgecolor="k"))
        middle = np.radians(0.5 * (start + end))
        radius = 0.5 * (outer + inner)
        spot = centre[0] + radius * np.cos(middle), centre[1] + radius * np.sin(middle)
        axes.text(*spot, name, ha="center", va="center")
    mean = 0.5 * (outer + inner)
    for degrees, label in ((90.0, "$R_p$"), (231.0, "$R_t$"), (309.0, "$R_s$")):
        x = centre[0] + mean * np.cos(np.radians(degrees))
        y = centre[1] + mean * np.sin(np.radians(degrees))
        axes.annotate("", (x, y), (x, 0.35), arrowprops={"arrowstyle": "<->", "lw": 0.8})
        axes.text(x + 0.05, 0.62, label)
    turn = np.radians(np.linspace(-40.0, 300.0, 200))
    axes.plot(centre[0] + mean * np.cos(turn), centre[1] + mean * np.sin(turn), "k-", lw=0.6, alpha=0.5)
    axes.annotate("flow", (-0.05, 2.71), (0.45, 2.62), arrowprops={"arrowstyle": "->"}, va="center")
    axes.axhline(0.35, color="k", lw=0.8, ls="-.")
    axes.text(-1.35, 0.4, "axis")
    axes.set(xlim=(-1.5, 1.5), ylim=(0.2, 3.1), aspect="equal")
    axes.axis("off")
    save(figure, "section")


def states() -> None:
    figure, (left, right) = plt.subplots(1, 2, figsize=(8.0, 3.2))
    for state, (label, line) in STATES.items():
        curve = characteristic(Geometry(), SPEED_RATIO, state)
        shown = np.isfinite(curve.capacity) & (curve.capacity < 420.0)
        left.plot(SPEED_RATIO[shown], curve.capacity[shown], line, label=label)
        right.plot(SPEED_RATIO, curve.torque_ratio, line)
    left.set(xlabel="speed ratio", ylabel="K, rpm/sqrt(N m)", ylim=(0, 420))
    right.set(xlabel="speed ratio", ylabel="torque ratio", ylim=(0.7, 2.3))
    left.legend(fontsize=7, loc="upper left")
    save(figure, "states")


def inlet_angle() -> None:
    degrees = np.linspace(-45.0, 20.0, 40)
    ratio = []
    for angle in degrees:
        geometry = replace(Geometry(), stator_inlet_tan=tan(radians(angle)))
        ratio.append(
            characteristic(geometry, [0.0], "free").capacity[0] / characteristic(geometry, [0.0]).capacity[0]
        )
    figure, axes = plt.subplots(figsize=(4.6, 2.8))
    axes.plot(degrees, ratio, "k-")
    axes.axhspan(0.67, 0.70, alpha=0.25)
    axes.text(-44.0, 0.675, "service rules: 30 to 33 % low", fontsize=8)
    axes.set(xlabel="stator inlet angle, degrees", ylabel="K free / K held at stall", ylim=(0.5, 0.9))
    save(figure, "inlet_angle")


def published() -> None:
    tables = converters("published_converters.csv")
    figure, grid = plt.subplots(2, len(tables), figsize=(10.0, 5.0), sharex=True, sharey="row")
    for column, (name, (coupling, table)) in enumerate(tables.items()):
        curves = derive(100.0, 0.0, float(table[0, 2]), coupling)
        low = np.arange(0, 96, 3)  # enough for the eye, and a small file
        for row, (mean, sd, value) in enumerate(
            ((curves.k, curves.k_sd, table[:, 1]), (curves.tr, curves.tr_sd, table[:, 2]))
        ):
            scale = 0.01 if row == 0 else 1.0
            middle, width = scale * np.array(mean)[low], 2.0 * scale * np.array(sd)[low]
            axes = grid[row, column]
            axes.fill_between(SPEED_RATIO[low], middle - width, middle + width, alpha=0.25, lw=0)
            axes.plot(SPEED_RATIO[low], middle, "-")
            axes.plot(table[:, 0], scale * value, "k.", ms=4)
            axes.set_ylim((0.8, 2.4) if row == 0 else (0.8, 2.2))
        grid[0, column].set_title(name.replace("_", " "), fontsize=9)
        grid[1, column].set_xlabel("speed ratio")
    grid[0, 0].set_ylabel("K / K at stall")
    grid[1, 0].set_ylabel("torque ratio")
    save(figure, "published")


def lost() -> None:
    curves = derive(150.0, 4.0, 2.0, 0.88)
    figure, axes = plt.subplots(figsize=(4.6, 3.2))
    low = SPEED_RATIO <= 0.95
    for name, mean, sd in (
        ("working", curves.k, curves.k_sd),
        ("reaction lost", curves.k_lost, curves.k_lost_sd),
    ):
        middle, width = np.array(mean)[low], 2.0 * np.array(sd)[low]
        axes.fill_between(SPEED_RATIO[low], middle - width, middle + width, alpha=0.25, lw=0)
        axes.plot(SPEED_RATIO[low], middle, label=name)
    axes.plot(SPEED_RATIO[low], np.array(curves.k_seized)[low], "k:", label="seized")
    axes.set(xlabel="speed ratio", ylabel="K, rpm/sqrt(N m)", ylim=(50, 350))
    axes.legend(fontsize=8)
    save(figure, "lost")


def stall_reading() -> None:
    expected = Stall(2300.0, 50.0, 240.0, 58.0, 0.0)
    rpm = np.arange(1300.0, 2800.0, 10.0)
    chances = [read(float(n), expected, 0.68, 0.09) for n in rpm]
    figure, axes = plt.subplots(figsize=(6.4, 3.0))
    for cause, line in zip(chances[0], ("-", "--", ":", "-."), strict=True):
        axes.plot(rpm, [100.0 * chance[cause] for chance in chances], line, label=cause.replace("_", " "))
    for limit in (1600.0, 2200.0, 2400.0, 2500.0):
        axes.axvline(limit, color="k", lw=0.6, alpha=0.6)
    axes.set(xlabel="stall speed read, rpm (2300 specified)", ylabel="chance, %")
    axes.legend(fontsize=7)
    save(figure, "stall_reading")


if __name__ == "__main__":
    for draw in (section, states, inlet_angle, published, lost, stall_reading):
        draw()
