"""How well derived curves meet published converters. Prints the table of docs/converter.md.

    python tests/campaigns/converters.py

Each converter gives only K at stall, stall torque ratio and coupling speed ratio; the rest is compared.
rms over its own rows and over an even grid, SR 0 .. 0.85; cover = share of points inside the 2-sd band.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np

from livemon.converter.derive import SPEED_RATIO, derive
from livemon.converter.mean_path import Geometry, characteristic

VECTORS = Path(__file__).resolve().parent.parent / "vectors"


def converters(file: str) -> dict[str, tuple[float, np.ndarray]]:
    """name -> (coupling, rows of speed ratio, K, torque ratio), K scaled to 100 at stall."""
    with (VECTORS / file).open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    found: dict[str, tuple[float, np.ndarray]] = {}
    for name in dict.fromkeys(row["name"] for row in rows):
        own = [row for row in rows if row["name"] == name]
        table = np.array([[float(row[key]) for key in ("speed_ratio", "k", "torque_ratio")] for row in own])
        table[:, 1] *= 100.0 / table[0, 1]
        found[name] = float(own[0]["coupling"]), table
    return found


def compare(coupling: float, table: np.ndarray, k0_sd: float = 0.0) -> dict[str, float]:
    """Errors [%] and coverage [%] of the derived curve of one converter."""
    curves = derive(float(table[0, 1]), k0_sd, float(table[0, 2]), coupling)
    result: dict[str, float] = {}
    own = table[table[:, 0] <= 0.85, 0]
    for where, ratio in (("rows", own), ("grid", np.linspace(0.0, 0.85, 18))):
        for name, mean, sd, column in (("K", curves.k, curves.k_sd, 1), ("TR", curves.tr, curves.tr_sd, 2)):
            true = np.interp(ratio, table[:, 0], table[:, column])
            model, width = np.interp(ratio, SPEED_RATIO, mean), np.interp(ratio, SPEED_RATIO, sd)
            result[f"{name} rms {where}"] = 100.0 * float(np.sqrt(np.mean((model / true - 1.0) ** 2)))
            result[f"{name} cover {where}"] = 100.0 * float(
                np.mean(np.abs(model - true) <= 2.0 * width + 1e-9)
            )
            moving = ratio > 0.02
            pull = (model - true)[moving] / width[moving]
            result[f"{name} rms z {where}"] = float(np.sqrt(np.mean(pull**2)))
    return result


FAMILIES = {  # the three European tables share one K curve: they count once
    "passenger car": ("passenger_car",),
    "European": ("light_duty_default", "truck_demo", "eu_generic"),
    "polynomial": ("polynomial",),
    "teaching a": ("teaching_a",),
    "teaching b": ("teaching_b",),
}


def leave_one_out() -> dict[str, list[tuple[float, float, float]]]:
    """family -> for K and TR: rms error [%], cover [%] and rms error over sd, once the mean error of the
    other families is taken off the model: what a converter would have seen that nobody had looked at."""
    ratio = np.linspace(0.05, 0.85, 17)
    tables = converters("published_converters.csv") | converters("remembered_converters.csv")
    off: dict[str, np.ndarray] = {}
    sd: dict[str, np.ndarray] = {}
    for family, names in FAMILIES.items():
        errors, widths = [], []
        for coupling, table in (tables[name] for name in names):
            curves = derive(100.0, 0.0, float(table[0, 2]), coupling)
            pairs = ((curves.k, curves.k_sd, 1), (curves.tr, curves.tr_sd, 2))
            model = np.array([np.interp(ratio, SPEED_RATIO, mean) for mean, _, _ in pairs])
            true = np.array([np.interp(ratio, table[:, 0], table[:, column]) for _, _, column in pairs])
            errors.append(model / true - 1.0)
            widths.append(np.array([np.interp(ratio, SPEED_RATIO, width) for _, width, _ in pairs]) / model)
        off[family], sd[family] = np.mean(errors, axis=0), np.mean(widths, axis=0)
    result: dict[str, list[tuple[float, float, float]]] = {}
    for family in FAMILIES:
        left = off[family] - np.mean([off[other] for other in FAMILIES if other != family], axis=0)
        result[family] = [
            (
                100.0 * float(np.sqrt(np.mean(e**2))),
                100.0 * float(np.mean(np.abs(e) <= 2.0 * w)),
                float(np.sqrt(np.mean((e / w) ** 2))),
            )
            for e, w in zip(left, sd[family], strict=True)
        ]
    return result


def strangers(count: int = 400, seed: int = 5) -> dict[str, float]:
    """Converters drawn around the textbook geometry, not from the model's sample: coverage [%] of 2 sd."""
    random = np.random.default_rng(seed)

    def angle(low: float, high: float) -> float:
        return float(np.tan(np.radians(random.uniform(low, high))))

    inside: dict[str, list[bool]] = {"K": [], "TR": [], "K lost": []}
    at = np.arange(10, 81, 10)
    for _ in range(count):
        geometry = Geometry(
            pump_exit_tan=angle(-5.0, 24.0),
            turbine_exit_tan=angle(-62.0, -56.0),
            stator_exit_tan=angle(54.0, 62.0),
            pump_inlet_tan=angle(-42.0, -18.0),
            turbine_inlet_tan=angle(47.0, 59.0),
            stator_inlet_tan=angle(-50.0, 18.0),
        )
        true, free = characteristic(geometry, SPEED_RATIO), characteristic(geometry, SPEED_RATIO, "free")
        coupling = float(SPEED_RATIO[np.argmax(true.torque_ratio <= 1.0)])
        k0, gain = float(true.capacity[0]), float(true.torque_ratio[0])
        if not (1.6 < gain < 2.8 and 0.78 < coupling < 0.97):
            continue
        curves = derive(k0, 0.0, gain, coupling)
        for name, value, mean, sd in (
            ("K", true.capacity, curves.k, curves.k_sd),
            ("TR", true.torque_ratio, curves.tr, curves.tr_sd),
            ("K lost", free.capacity, curves.k_lost, curves.k_lost_sd),
        ):
            inside[name] += list(np.abs(value - np.array(mean))[at] <= 2.0 * np.array(sd)[at])
    return {name: 100.0 * float(np.mean(hits)) for name, hits in inside.items()}


def main() -> None:
    head = None
    for file in ("published_converters.csv", "remembered_converters.csv"):
        for name, (coupling, table) in converters(file).items():
            result = compare(coupling, table)
            if head is None:
                head = list(result)
                sys.stdout.write(f"{'':<20}" + "".join(f"{key:>15}" for key in head) + "\n")
            sys.stdout.write(f"{name:<20}" + "".join(f"{result[key]:>15.2f}" for key in head) + "\n")
    sys.stdout.write("\nleave one out: rms %, cover %, rms error over sd, for K and for TR\n")
    for family, (k, tr) in leave_one_out().items():
        sys.stdout.write(f"{family:<20}" + "".join(f"{number:>10.1f}" for number in (*k, *tr)) + "\n")
    sys.stdout.write("\nconverters drawn around the textbook geometry, share inside 2 sd, SR 0.1 .. 0.8: ")
    sys.stdout.write(", ".join(f"{name} {share:.0f} %" for name, share in strangers().items()) + "\n")


if __name__ == "__main__":
    main()
