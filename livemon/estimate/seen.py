"""What the vehicle tells, sorted: speeds, states, torque, and the best source of road speed.

The output shaft tells road speed better than whole km/h, a finer counting better than a coarser: the coarser
is heard again only when the finer has fallen silent.
"""

from __future__ import annotations

from typing import Final

from livemon.estimate.broadcast import Signal
from livemon.estimate.engine_speed import EngineSpeed
from livemon.estimate.proven_lock import Speed
from livemon.estimate.ratios import output_rpm_per_kmh
from livemon.estimate.road_speed import RoadSpeed
from livemon.estimate.stated import Stated
from livemon.estimate.torque import Torque
from livemon.vehicle import Vehicle

_SHAFT_S: Final = 1.0  # the output shaft was heard so lately
_SILENT_S: Final = 5.0  # a finer source of road speed that says nothing for so long is gone
_LEAST_KMH: Final = 0.02  # width of a road-speed reading, however finely it counts


class Seen:
    """`add` readings. width: of the road-speed readings taken [km/h]; shaft: whether they are the output
    shaft's; speeds: those taken and not yet due."""

    engine: EngineSpeed
    road: RoadSpeed
    turbine: Signal
    lockup: Signal
    shift: Signal
    speeds: list[Speed]

    def __init__(self, vehicle: Vehicle) -> None:
        self.torque = Torque(vehicle)
        self.stated = Stated(vehicle.gear_ratios)
        self.neutral = Stated(())  # that the selector is there
        self._selector_moves = False  # else its signal may stand still all drive
        self.width: float | None = None
        self.shaft = False
        self._out_per_kmh = output_rpm_per_kmh(vehicle)
        self.forget()

    def forget(self) -> None:
        """The clock was set: times from before say nothing."""
        self.engine, self.road = EngineSpeed(), RoadSpeed()
        self.turbine, self._output, self.lockup, self.shift = Signal(), Signal(), Signal(), Signal()
        self.torque.forget()
        self.stated.forget()
        self.neutral.forget()
        self.speeds = []
        self._speed_s = -1e18  # newest reading of the source road speed is taken from

    def add(self, t: float, quantity: str, value: float, resolution: float) -> bool:
        """False if the reading's time is not after the one before it."""
        if quantity == "engine_rpm":
            times = self.engine.track.t
            if times and t <= times[-1]:
                return False
            self.engine.add(t, value)
            self.torque.turns(t, value)
        elif quantity == "vehicle_kmh":
            self.torque.road_kmh = value
            if t - self._output.newest_s < _SHAFT_S and self._out_per_kmh:
                return True
            return self._speed(t, value, resolution, False)
        elif quantity == "output_rpm":
            self._output.add(t, value)
            if self._out_per_kmh:
                return self._speed(t, value / self._out_per_kmh, 0.0, True)
        elif quantity == "turbine_rpm":
            self.turbine.add(t, value)
        elif quantity == "gear":
            self.stated.add(t, int(value))
        elif quantity == "in_gear":
            if value > 0.0:
                self._selector_moves = True
            elif self._selector_moves:
                self.neutral.add(t, 0)
        elif quantity == "gear_ratio":
            self.stated.add_ratio(t, value)
        elif quantity == "lockup":
            self.lockup.add(t, value)
        elif quantity == "shift_in_process":
            self.shift.add(t, value)
        else:
            self.torque.add(t, quantity, value)
        return True

    def _speed(self, t: float, value: float, resolution: float, shaft: bool) -> bool:
        width = max(resolution, _LEAST_KMH)
        if self.width is not None and width > self.width and t - self._speed_s < _SILENT_S:
            return True
        self.width, self.shaft, self._speed_s = width, shaft, t
        if not self.road.add(t, value, width):
            return False
        self.speeds.append((t, value, width))
        return True

    def shaft_kmh(self, t: float) -> tuple[float, float] | None:
        """Road speed by the output shaft as it is told, nothing smoothed, and its rate [km/h, km/h/s]."""
        per_kmh = self._out_per_kmh
        if per_kmh is None or (told := self._output.at(t)) is None:
            return None
        return told[0] / per_kmh, told[1] / per_kmh

    def speeds_due(self, until: float) -> list[Speed]:
        """Road-speed readings up to `until`, each once."""
        count = next((i for i, (t, *_) in enumerate(self.speeds) if t > until), len(self.speeds))
        due = self.speeds[:count]
        del self.speeds[:count]
        return due
