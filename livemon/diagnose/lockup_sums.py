"""What was seen of the converter clutch, summed up for the report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from livemon.diagnose.lockup_schedule import CRUISE, calls_for
from livemon.diagnose.windows import Window

_ENGAGING_S: Final = 3.0  # after a shift the clutch takes a moment to come on
_ABSURD_RPM: Final = 600.0  # a gear taken for another, not a clutch
_SHORT_S: Final = 4.0
_LOADED: Final = 0.25  # of peak torque
_LIKELY: Final = 0.75


@dataclass(slots=True)
class Totals:
    """Times in seconds; the clutch counts as applied when it holds or slips."""

    applied_s: float = 0.0
    loaded_s: float = 0.0  # applied, with more than a quarter of peak torque
    slipping_s: float = 0.0
    slipping_loaded_s: float = 0.0  # of these, with that much torque
    slipping_first_s: float | None = None
    slipping_last_s: float = 0.0
    denied_s: float = 0.0  # said to be applied, and slipped as if it were open
    open_cruise_s: float = 0.0
    cold_cruise_s: float = 0.0  # likewise, before the engine was warm
    cruise_first_s: float | None = None
    cruise_last_s: float = 0.0

    def slips(self, w: Window, seconds_s: float, loaded: bool) -> None:
        """A clutch that should hold slips in this window, `seconds_s` of it."""
        self.slipping_s += seconds_s
        self.slipping_loaded_s += seconds_s if loaded else 0.0
        self.slipping_last_s = w.end_s
        if self.slipping_first_s is None:
            self.slipping_first_s = w.start_s

    @property
    def hardly_applied(self) -> bool:
        """Whether the clutch was on for too short a time to be judged."""
        return self.applied_s < _SHORT_S


@dataclass(slots=True)
class GearSlip:
    """Running sums of slip with the clutch on in one gear."""

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
        self.windows += 1
        self.slip_rpm += slip
        self.share += slip / w.engine_rpm
        self.most_rpm = max(self.most_rpm, slip)
        self.torque_nm += torque
        self.torque_slip += torque * slip
        self.torque_square += torque * torque


class Sums:
    """`count` windows. slipping_since_s: start of slip that still goes on; cold: the engine is not warm, the
    control may keep the clutch off. torque_nm: peak."""

    def __init__(self, torque_nm: float) -> None:
        self._torque_nm = torque_nm
        self.totals = Totals()
        self.by_gear: dict[int, GearSlip] = {}
        self.slipping_since_s: float | None = None
        self.cold = False
        self._comes_on = False

    def count(
        self,
        w: Window,
        torque_nm: float,
        slips: float,
        is_open: bool,
        since_s: float | None,
        applied: bool | None,
    ) -> None:
        """Take one window. slips: probability that a clutch slips there that should hold; since_s: start of
        the gear, if it is known; applied: what the control says of its clutch, if it is believed."""
        assert w.slip_rpm is not None
        totals, duration_s = self.totals, max(w.end_s - w.start_s, 0.1)
        absurd = w.slip_rpm > _ABSURD_RPM and not w.turbine_told
        if absurd or since_s is None or w.start_s - since_s < _ENGAGING_S:
            return
        loaded = torque_nm > _LOADED * self._torque_nm
        if is_open and applied:
            totals.denied_s += duration_s
            totals.loaded_s += duration_s if loaded else 0.0
            totals.slips(w, duration_s, loaded)
            self.slipping_since_s = None
            return
        is_open = is_open or applied is False
        before, self._comes_on = self._comes_on, is_open
        if is_open:
            self.slipping_since_s = None
            if calls_for(w, torque_nm, self._torque_nm) is not CRUISE:
                return
            if self.cold:
                totals.cold_cruise_s += duration_s
            else:
                totals.open_cruise_s += duration_s
                totals.cruise_last_s = w.end_s
                if totals.cruise_first_s is None:
                    totals.cruise_first_s = w.start_s
            return
        if before:  # the ramp: slip on its way from open to closed is no slip of a clutch that is on
            return
        totals.applied_s += duration_s
        totals.loaded_s += duration_s if loaded else 0.0
        self.by_gear.setdefault(w.gear or 0, GearSlip()).add(w)
        if slips > _LIKELY:
            totals.slips(w, duration_s, loaded)
            if self.slipping_since_s is None:
                self.slipping_since_s = w.start_s
        else:
            self.slipping_since_s = None


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
