"""Curves from a shop's few numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from livemon.converter.curves import GRID_STEPS, Curves


def derive(
    k0: float,
    k0_sd: float,
    tr0: float | None = None,
    tr0_sd: float = 0.05,
    coupling: float | None = None,
    coupling_sd: float = 0.01,
) -> Curves:
    assumed: list[str] = []
    if tr0 is None:
        tr0, tr0_sd = 1.95, 0.2
        assumed.append("converter.stall_torque_ratio")
    if coupling is None:
        coupling = 0.87
        assumed.append("converter.coupling_speed_ratio")
    sr = np.linspace(0.0, 1.0, GRID_STEPS + 1)
    load = np.interp(sr, [0, 0.6, 0.85, 0.9, 0.95, 1.0], [1, 0.78, 0.53, 0.45, 0.25, 0.01])
    k = k0 / np.sqrt(load)
    k_sd = k * np.hypot(k0_sd / k0, 0.05 * sr / (1.02 - sr) ** 0.5)
    tr = np.maximum(1.0, tr0 - (tr0 - 1.0) * sr / coupling)
    tr_sd = np.hypot(tr0_sd * np.clip(1 - sr / coupling, 0, 1), 0.02 * np.ones_like(sr))
    fade = np.clip(1 - sr / coupling, 0, 1)
    k_lost = k * (1 - 0.27 * fade)
    k_lost_sd = np.hypot(k_sd, 0.09 * k * fade)
    k_seized = k * (1 + 0.1 * np.clip((sr - coupling) / 0.1, 0, None))
    tr_seized = np.where(sr <= coupling, tr, np.maximum(0.0, 1 - (sr - coupling) * 4.0))

    def out(a: NDArray[np.float64]) -> tuple[float, ...]:
        return tuple(float(x) for x in a)

    return Curves(
        out(k),
        out(k_sd),
        out(tr),
        out(tr_sd),
        out(k_lost),
        out(k_lost_sd),
        out(k_seized),
        out(tr_seized),
        coupling,
        tuple(assumed),
    )
