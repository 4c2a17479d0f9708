"""Slip where the vehicle file has no ratios: by the ratio each gear was first found with in this drive.

What slips all along is part of a ratio that is found, and a later fit moves it: so each gear has a scale of
its own, which every cause may choose (`SlipRows.in_gear`). What tells them apart is how slip goes with
torque: an open converter slips the more the more it carries, a clutch that holds does not, a worn one from
some load on.
"""

from __future__ import annotations

from math import exp, log
from typing import Final

from livemon.diagnose.slip_seen import SlipSeen
from livemon.diagnose.windows import Window

_SAME: Final = 0.05  # of ln: no two gears lie so near, and no fit of one moves it so far


class FoundGears:
    """`seen` a window; `any`: gears were found at all.

    A gear keeps its number here; in the estimate numbers change as more gears are found.
    """

    __slots__ = ("_ln",)

    def __init__(self) -> None:
        self._ln: list[float] = []  # turbine angle per metre, of each as it was first found

    @property
    def any(self) -> bool:
        return bool(self._ln)

    def seen(self, w: Window, slip: SlipSeen) -> tuple[int, SlipSeen]:
        """(which of the gears found so far, the same slip by the ratio it was first found with)."""
        assert w.turbine_rad_per_m is not None
        now, known = log(w.turbine_rad_per_m), self._ln
        gear = next((i for i, first in enumerate(known) if abs(now - first) < _SAME), len(known))
        if gear == len(known):
            known.append(now)
        turbine_rpm = slip.turbine_rpm * exp(known[gear] - now)
        return gear, slip._replace(rpm=w.engine_rpm - turbine_rpm, turbine_rpm=turbine_rpm)
