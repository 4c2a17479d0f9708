"""What was seen of the converter clutch, summed up for the report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from livemon.diagnose.windows import Window


@dataclass(slots=True)
class Totals:
    """Times in seconds; the clutch counts as applied when it holds or slips."""

    applied_s: float = 0.0
    loaded_s: float = 0.0  # applied, with more than a quarter of peak torque
    slipping_s: float = 0.0
    open_cruise_s: float = 0.0
    cold_cruise_s: float = 0.0  # likewise, before the engine was warm
    cruise_first_s: float | None = None
    cruise_last_s: float = 0.0


@dataclass(slots=True)
class GearSlip:
    """Running sums of slip with the clutch on in one gear."""

    first_s: float = 0.0
    last_s: float = 0.0
    windows: int = 0
    slip_rpm: float = 0.0
    share: float = 0.0
    torque_nm: float = 0.0
    torque_slip: float = 0.0
    torque_square: float = 0.0
    most_rpm: float = 0.0

    def add(self, w: Window) -> None:
        """Take one window with the clutch on."""
        slip, torque = w.slip_rpm or 0.0, w.pump_torque_nm or 0.0
        self.last_s = w.end_s
        self.windows += 1
        self.slip_rpm += slip
        self.share += slip / w.engine_rpm
        self.most_rpm = max(self.most_rpm, slip)
        self.torque_nm += torque
        self.torque_slip += torque * slip
        self.torque_square += torque * torque


def mean_slip_rpm(gears: Mapping[int, GearSlip]) -> float | None:
    """Mean slip with the clutch on and the engine driving [rpm]."""
    windows = sum(g.windows for g in gears.values())
    return sum(g.slip_rpm for g in gears.values()) / windows if windows else None


def most_slip_rpm(gears: Mapping[int, GearSlip]) -> float | None:
    """Largest slip of any window with the clutch on [rpm]."""
    return max((g.most_rpm for g in gears.values()), default=None)


def slip_per_100_nm(gears: Mapping[int, GearSlip], torque_nm: float) -> float | None:
    """How slip grows with load [rpm per 100 N m]; None when load hardly varied (torque_nm: peak)."""
    n = sum(g.windows for g in gears.values())
    if n < 8:
        return None
    mean_torque = sum(g.torque_nm for g in gears.values()) / n
    spread = sum(g.torque_square for g in gears.values()) - n * mean_torque**2
    if spread < n * (0.05 * torque_nm) ** 2:
        return None
    mean_slip = sum(g.slip_rpm for g in gears.values()) / n
    return 100.0 * (sum(g.torque_slip for g in gears.values()) - n * mean_torque * mean_slip) / spread
