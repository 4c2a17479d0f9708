"""The converter clutch where the vehicle tells turbine speed but not its clutch: closed, or open.

Slip alone does not tell: controls hold some tens of rpm, a clutch that shudders swings about them, and with
little torque an open converter slips by no more. Slip is held against what an open converter would need to
pass the torque on, in a chain of the two states (Rabiner, Proc. IEEE 77 (1989) 257).
"""

from __future__ import annotations

from math import exp, hypot
from typing import Final

from livemon.estimate.interval import normal
from livemon.estimate.open_slip import OpenSlip
from livemon.records import Estimate

_SMOOTH_S: Final = 0.3  # shudder swings several times in it
_LONGEST_S: Final = 0.5  # between readings; what went before tells less then
_NEWS_S: Final = 0.4  # slip of one moment is that of the next
_ON, _OFF = 0.15, 0.15  # chance a second that the clutch comes on, and lets go
_ON_IN_FIRST: Final = 0.003  # few boxes close it so early
# Slip with the clutch closed: none, or what a control holds: some tens of rpm. Common practice, no source.
_TIGHT_RPM, _HELD_RPM = 6.0, 30.0
_AT_TARGET, _TARGET_SD_RPM = 0.5, 12.0
_K_SD: Final = 0.1  # ln K of a converter that may be the faulty one
_TORQUE_SD, _OFFSET = 0.08, 0.03  # of torque, and of what the stalled converter takes at 2000 rpm
_RIPPLE_RPM: Final = 8.0
_UNTOLD_RPM: Final = 120.0  # mean slip of an open converter where no torque is told
# Share and span of slip that neither state explains: of a clutch that slips by so much, or a converter unlike
# its curve.
_ODD_CLOSED, _ODD_OPEN, _ODD_RPM = 0.02, 0.2, 1500.0
_SURE: Final = 0.02


class ToldClutch:
    """`feed` each moment; `locked`: probability that the clutch is closed."""

    __slots__ = ("_if_open", "_slip", "_t", "_target_rpm", "locked")

    def __init__(self, target_rpm: float | None = None) -> None:
        """target_rpm: slip that the control holds, if the file tells it."""
        self._target_rpm = target_rpm
        self._t: float | None = None
        self._slip = self._if_open = 0.0  # rpm, smoothed alike: as seen, and of the converter if it is open
        self.locked = 0.0

    @property
    def state(self) -> tuple[float | None, float, float, float]:
        """To go back to: `restore`."""
        return self._t, self._slip, self._if_open, self.locked

    def restore(self, state: tuple[float | None, float, float, float]) -> None:
        self._t, self._slip, self._if_open, self.locked = state

    def forget(self) -> None:
        """Turbine speed was silent."""
        self._t, self.locked = None, 0.0

    def take(self, e: Estimate, turbine: tuple[float, float] | None, slip: OpenSlip, first: bool) -> None:
        """One estimate in the making, and turbine speed and its rate as told there; else as `feed`."""
        if turbine is None:
            self.forget()
            return
        pump = None if e.pump_torque_nm is None else (e.pump_torque_nm, e.pump_torque_sd_nm)
        self.feed(e.time_s, e.engine_rpm, turbine[0], pump, slip, first)

    def feed(
        self, t: float, n: float, turbine_rpm: float, torque: tuple[float, float] | None, slip: OpenSlip,
        first: bool,
    ) -> None:  # fmt: skip
        """n: engine speed; torque: at the pump and its sd [N m] if told; slip: of this converter if open;
        first: in first gear."""
        seen, if_open, if_open_sd = n - turbine_rpm, 0.0, 0.0
        if torque is not None:
            nm, sd_nm = torque
            sd_nm = hypot(sd_nm, _TORQUE_SD * nm, _OFFSET * slip.stalled_nm(2000.0))
            x, x_sd = slip.x_taking(nm, sd_nm, n, _K_SD)
            turns = n * exp(-x)
            if_open, if_open_sd = n - turns, hypot(min(x_sd, 1.0) * turns, _RIPPLE_RPM)
        dt = _LONGEST_S
        if self._t is not None and 0.0 <= t - self._t < _LONGEST_S:
            dt = t - self._t
            share = 1.0 - exp(-dt / _SMOOTH_S)
            seen = self._slip + share * (seen - self._slip)
            if_open = self._if_open + share * (if_open - self._if_open)
        self._t, self._slip, self._if_open = t, seen, if_open
        if torque is None:
            opened = exp(-abs(seen) / _UNTOLD_RPM) / (2.0 * _UNTOLD_RPM)
        else:
            opened = normal(seen, if_open, if_open_sd)
        held = exp(-seen / _HELD_RPM) / _HELD_RPM if seen > 0.0 else 0.0
        closed = 0.5 * (normal(seen, 0.0, _TIGHT_RPM) + held)
        if self._target_rpm is not None:
            closed += _AT_TARGET * (normal(seen, self._target_rpm, _TARGET_SD_RPM) - closed)
        on = _ON_IN_FIRST if first else _ON
        p = self.locked + dt * (on * (1.0 - self.locked) - _OFF * self.locked)
        fits = (closed + _ODD_CLOSED / _ODD_RPM) / (opened + _ODD_OPEN / _ODD_RPM)
        odds = p / (1.0 - p) * fits ** min(dt / _NEWS_S, 1.0)
        self.locked = min(max(odds / (1.0 + odds), _SURE), 1.0 - _SURE)
