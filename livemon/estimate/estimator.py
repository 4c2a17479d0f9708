"""The estimator's front door: readings in, settled estimates out, in the order of the readings.

Readings are gathered into blocks closed by the readings' own times; closing one smooths the road and engine
tracks back over the unsettled part, moves the gear chain and the locked-stretch filter on, and settles
what is at least LOOK_AHEAD_S old, or DOUBT_S where the gear is in doubt, STANDS_S at a stop. What is settled
depends on the readings alone, never on how they came.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Sequence
from math import isfinite
from typing import Final

from livemon.estimate.locked import Locked
from livemon.estimate.oscillation import Swings
from livemon.estimate.vehicle_state import VehicleState
from livemon.records import Estimate, Oscillation, Reading
from livemon.vehicle import Vehicle

BLOCK_S: Final = 0.5
LOOK_AHEAD_S: Final = 0.45
_STEP_BACK_S: Final = 1.0
_STEPS: Final = 5  # readings in a row from the past before the clock is believed to have been set back

# quantity: least and greatest value that can be
_RANGE: Final = {
    "engine_rpm": (0.0, 12000.0),
    "vehicle_kmh": (0.0, 400.0),
    "turbine_rpm": (-6000.0, 12000.0),
    "output_rpm": (0.0, 15000.0),
    "gear": (-20.0, 30.0),
    "lockup": (0.0, 1.0),
    "engine_torque_pct": (-125.0, 130.0),
    "engine_torque_nm": (-3000.0, 9000.0),
    "friction_torque_pct": (-125.0, 130.0),
    "reference_torque_nm": (1.0, 65000.0),
    "air_flow_g_s": (0.0, 2600.0),
    "absolute_load_pct": (0.0, 400.0),
}
_ANY: Final = (-1e7, 1e7)
_BEYOND: Final = 3.0  # of peak torque: no engine of this file reports so much


class Estimator:
    """`feed` readings; settled estimates come back at most BLOCK_S + LOOK_AHEAD_S later, in time order.
    Where the gear is in doubt they wait for DOUBT_S, at a stop for STANDS_S.

    `now` is the newest, not yet settled estimate, for a screen: worked out when asked for. `calibration`
    (Locked) holds what locked stretches have taught. `counters`: readings left out, by reason, and clock
    steps.
    """

    __slots__ = (
        "_back", "_block_end", "_looks", "_newest", "_now", "_range", "_state", "_swings", "counters",
        "vehicle",
    )  # fmt: skip

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self.counters: Counter[str] = Counter()
        self._range = dict(_RANGE)
        if vehicle.rated_nm is not None:
            most_nm = _BEYOND * vehicle.rated_nm
            self._range["engine_torque_nm"] = (-most_nm, most_nm)
        self._now: Estimate | None = None
        self._state = VehicleState(vehicle)
        self._swings = Swings()
        self._looks: deque[Oscillation] = deque()
        self._newest = -1e18
        self._back = 0
        self._block_end = 0.0

    @property
    def now(self) -> Estimate | None:
        """Of the newest engine-speed reading by what is known so far; later readings may still change it."""
        newest = self._state.seen.engine.newest_s
        if newest is not None and (self._now is None or self._now.time_s != newest):
            self._now = self._state.newest()
        return self._now

    @property
    def calibration(self) -> Locked:
        return self._state.calibration

    @property
    def found_rpm_per_kmh(self) -> list[float]:
        """Engine rpm per km/h of the gears found without a vehicle file, lowest gear first."""
        return self._state.found

    def feed(self, reading: Reading) -> Sequence[Estimate | Oscillation]:
        """Take one reading in. Values that cannot be are counted and left out; nothing raises."""
        t, quantity, value, resolution, _ = reading
        if not (isfinite(value) and isfinite(t)):
            self.counters["not_a_number"] += 1
            return ()
        low, high = self._range.get(quantity, _ANY)
        if not low <= value <= high:
            self.counters["absurd_values"] += 1
            return ()
        out: Sequence[Estimate | Oscillation] = ()
        newest = self._newest
        if t < newest - _STEP_BACK_S:
            self._back += 1
            if self._back < _STEPS:
                self.counters["time_reversed"] += 1
                return ()
            self.counters["clock_steps"] += 1
            out = self._close(newest, -1.0)
            self._begin(t)
        elif t > newest:
            self._back = 0
            if newest < -1e17:
                self._block_end = t + BLOCK_S
            elif t >= self._block_end:
                out = self._close(t, LOOK_AHEAD_S)
                self._block_end = t + BLOCK_S
            self._newest = t
        if not self._state.add(t, quantity, value, resolution):
            self.counters["time_repeated"] += 1
        elif quantity == "engine_rpm":
            self._swings.add(t, value)
        return out

    def end(self) -> Sequence[Estimate | Oscillation]:
        """The drive is over: settle the rest."""
        return self._close(self._newest, -1.0, ends=True) if self._newest > -1e17 else ()

    def _begin(self, t: float) -> None:
        """The clock was set back: nothing before can be compared with what comes."""
        self._state.lost()
        self._swings = Swings()
        self._newest, self._back, self._block_end = t, 0, t + BLOCK_S

    def _close(self, t: float, look_ahead: float, ends: bool = False) -> list[Estimate | Oscillation]:
        state = self._state
        out: list[Estimate | Oscillation] = list(state.settle(t, look_ahead, ends))
        if state.still:
            self._swings.rest()
        elif (swing := self._swings.look(state.closed)) is not None:
            self._looks.append(swing)
        # a look waits as long as the estimates beside it: they tell what else may have shaken the driveline
        known_s = state.unsettled_s + look_ahead
        while self._looks and self._looks[0].time_s < known_s:
            out.append(self._looks.popleft())
        return out
