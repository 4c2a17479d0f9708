"""A measured converter table: speed ratio, K, torque ratio, as test benches and regulations give it.

Between rows the torque ratio and 1/K^2 (the pump torque at a fixed pump speed) are straight lines, which
is how (EU) 2017/2400 Annex VI reads such tables. K need not rise all the way.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from livemon.converter.curves import Curves
from livemon.converter.derive import SPEED_RATIO, assemble, check, shape_of
from livemon.errors import UsageError

Row = tuple[float, float, float]

_TABLE_K_SD: Final = 0.025  # share of K: production scatter, fluid temperature, bench accuracy
_TABLE_TR_SD: Final = 0.015
_LEAST_LOAD: Final = 0.01  # share of the stall 1/K^2 left at SR = 1, where a table says K is without limit


def curves_from_table(rows: tuple[Row, ...]) -> Curves:
    """Curves from a measured table: its own K and torque ratio, the other two states from the model.

    The first row must be at SR <= 0.2 and is carried down to 0; the last row's torque ratio is carried up
    to SR = 1 and 1/K^2 runs from it straight to zero there. UsageError when the table cannot be a converter.
    """
    if len(rows) < 3 or not rows[0][0] <= 0.2 or not rows[-1][0] >= 0.6:
        came = f"{len(rows)} rows from {rows[0][0]:g} to {rows[-1][0]:g}" if rows else "none"
        raise UsageError(
            "at least 3 rows from speed ratio 0.2 or lower to 0.6 or higher",
            came,
            "converter.curve",
            "add rows",
        )
    ratio, k_rows, tr_rows = (np.array(column) for column in zip(*rows, strict=True))
    load_rows = 1.0 / k_rows**2
    slope = (tr_rows[1] - tr_rows[0]) / (ratio[1] - ratio[0])
    tr = np.interp(SPEED_RATIO, ratio, tr_rows) + slope * np.minimum(SPEED_RATIO - ratio[0], 0.0)
    load = np.interp(SPEED_RATIO, ratio, load_rows)
    if ratio[-1] < 1.0:
        load *= np.clip((1.0 - SPEED_RATIO) / (1.0 - ratio[-1]), 0.0, 1.0)
    load = np.maximum(load, _LEAST_LOAD * load[0])
    k, torque_ratio = load**-0.5, float(tr[0])
    coupling = _coupling(rows)
    check(float(k[0]), torque_ratio, coupling)
    shape = shape_of(torque_ratio, coupling)
    # between distant rows the model's own spread comes in: nobody measured there
    gap = np.interp(SPEED_RATIO, ratio, np.zeros_like(ratio))
    for before, after in pairwise(ratio):
        inside = (before < SPEED_RATIO) & (after > SPEED_RATIO)
        gap = np.where(inside, np.minimum((after - before - 0.1) / 0.4, 1.0), gap)
    gap = np.where(ratio[-1] < SPEED_RATIO, 1.0, np.maximum(gap, 0.0))
    log_k_sd = np.hypot(_TABLE_K_SD, gap * shape.log_k_sd)
    return assemble(
        shape,
        coupling,
        k=k,
        log_k_sd=log_k_sd,
        tr=tr,
        tr_sd=np.hypot(_TABLE_TR_SD, gap * shape.torque_ratio_sd),
        log_k_lost_sd=np.hypot(log_k_sd, shape.log_lost_sd),
    )


def _coupling(rows: tuple[Row, ...]) -> float:
    """Speed ratio at which the torque ratio first reaches 1; else the last two rows drawn on."""
    for (s0, _, tr0), (s1, _, tr1) in pairwise(rows):
        if tr1 <= 1.0 < tr0:
            return s0 + (tr0 - 1.0) / (tr0 - tr1) * (s1 - s0)
    (s0, _, tr0), (s1, _, tr1) = rows[-2:]
    if tr1 < tr0:
        return min(s1 + (tr1 - 1.0) / (tr0 - tr1) * (s1 - s0), 0.99)
    return min(s1, 0.99)
