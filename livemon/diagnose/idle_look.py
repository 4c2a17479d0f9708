"""Torque at idle against what the pump takes there: where the zero of the torque signal lies."""

from __future__ import annotations

from math import inf
from typing import Final

import numpy as np

from livemon.arrays import Array
from livemon.converter.curves import Curves
from livemon.diagnose.hypotheses import Hypothesis
from livemon.diagnose.looks import FRICTION_SHARE, Look, idle_share
from livemon.diagnose.nuisance import SIZE, Prior, State
from livemon.diagnose.windows import Window

# In gear at idle fluid that is bound takes less than in a stall, cold fluid more: share of that, and sd. N m
# of each stop by itself; a stop that is in neutral, or not, after all. Common practice, no source.
_TAKES: Final = (0.85, 0.3)
_STOP_SD_NM: Final = 6.0
_ODD, _ODD_SD_NM = 0.25, 25.0
_IDLES_RPM, _STANDS_M_S, _STEADY_RPM_S = 1200.0, 0.5, 200.0
_AFTER_S, _EVERY_S = 0.8, 10.0


class IdleLooks:
    """Makes them, one a stop. What is wrong of one stop is wrong of all, so the n-th counts 1 / n."""

    def __init__(self, curves: Curves, prior: Prior, rows: tuple[Hypothesis, ...]) -> None:
        lost: Array = np.array([0.0 if row.holds > 0.0 else row.lost for row in rows])  # light, it holds
        self._ln_k: Array = np.log(curves.k[0]) + lost * np.log(curves.k_lost[0] / curves.k[0])
        self._gain: Array = np.exp([row.torque_ln for row in rows]) - 1.0
        self._friction_nm = FRICTION_SHARE * prior.torque_nm
        self._seen_s, self._count = -inf, 0

    def look(self, w: Window) -> Look | None:
        """Of a window at rest in which the engine idles; of every other None."""
        pump, torque, in_gear = w.pump_torque_nm, w.engine_torque_nm, w.regime == "stationary_in_gear"
        if pump is None or torque is None or not (in_gear or w.regime == "neutral"):
            return None
        idles = w.engine_rpm < _IDLES_RPM and abs(w.engine_accel_rpm_s) < _STEADY_RPM_S
        stands = (w.road_speed_m_s or 0.0) < _STANDS_M_S and w.into_stretch_s > _AFTER_S
        if not (idles and stands) or w.start_s < self._seen_s + _EVERY_S:
            return None
        self._seen_s = w.start_s
        self._count += 1
        share, share_sd = _TAKES if in_gear else (0.0, 0.0)
        stalled: Array = (w.engine_rpm / np.exp(self._ln_k)) ** 2
        indicated = torque + self._friction_nm
        h: Array = np.zeros((len(self._gain), SIZE))
        h[:, State.OFFSET] = 1.0
        h[:, State.IDLE] = idle_share(w.engine_rpm)
        h[:, State.GAIN] = indicated
        h[:, State.K_SCALE] = 2.0 * share * stalled
        variance = (share_sd * float(stalled[0])) ** 2 + _STOP_SD_NM**2 + w.pump_torque_unsure_nm**2
        seen = share * stalled - (pump + self._gain * indicated)
        return Look(seen, h, self._count * variance, _ODD, _ODD_SD_NM)
