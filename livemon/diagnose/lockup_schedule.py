"""When a control calls for the converter clutch: what a moment makes likely, before slip is looked at.

Schedules have it on in cruise, fourth gear and above; in third many boxes have it off, four-speed ones above
all; at town speeds it may be open a whole drive, and under hard pedal it is open in most. Until the engine is
warm most keep it off. Common practice, no source.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from livemon.diagnose.windows import Window


class Schedule(NamedTuple):
    """Chance a second that the clutch comes on, and that it lets go."""

    on: float
    off: float


CRUISE: Final = Schedule(0.3, 0.02)
_TOWN: Final = Schedule(0.02, 0.1)
_FREE: Final = Schedule(0.004, 0.1)
_HARD: Final = Schedule(0.004, 0.3)
OPEN_AFTER_SHIFT: Final = 0.75
OPEN_IN_FIRST: Final = 0.99
_CRUISE_M_S, _TOWN_M_S = 18.0, 12.0
_CRUISE_ACCEL_M_S2: Final = 0.45
_SOME_FROM: Final = 3  # gear from which some boxes close it; the others from the next
_HARD_SHARE: Final = 0.6  # of peak torque
WARM_C: Final = 70.0  # coolant; controls differ between 50 and 80


def calls_for(w: Window, torque_nm: float, peak_nm: float, cold: bool = False) -> Schedule:
    """What this window calls for at this pump torque."""
    if cold:
        return _FREE
    if torque_nm > _HARD_SHARE * peak_nm:
        return _HARD
    speed = w.road_speed_m_s or 0.0
    steady = abs(w.road_accel_m_s2) < _CRUISE_ACCEL_M_S2
    if (w.gear is not None and w.gear < _SOME_FROM) or not steady or speed < _TOWN_M_S:
        return _FREE
    return CRUISE if speed > _CRUISE_M_S and w.gear != _SOME_FROM else _TOWN
