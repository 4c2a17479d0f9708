"""A whole simulated vehicle as the control unit behind a simulated adapter, moving as time passes."""

from __future__ import annotations

from random import Random

from livemon.records import Frame
from livemon.simulate.control_unit import ControlUnit
from livemon.simulate.scenario import Scenario
from livemon.simulate.world import DT_S


class VehicleUnit:
    """A Unit whose vehicle drives on from the first moment it is looked at."""

    def __init__(self, scenario: Scenario) -> None:
        self.world = scenario.world()
        self.unit = ControlUnit(scenario.unit, self.world, Random(f"{scenario.seed}:poll"))
        self._start_s: float | None = None

    @property
    def next_s(self) -> float:
        return self.unit.next_s + (self._start_s or 0.0)

    def receive(self, frame: Frame, now_s: float) -> None:
        self.unit.receive(frame, self._move(now_s))

    def emit(self, now_s: float) -> list[Frame]:
        frames = self.unit.emit(self._move(now_s))
        return [frame._replace(time_s=frame.time_s + (self._start_s or 0.0)) for frame in frames]

    def _move(self, now_s: float) -> float:
        if self._start_s is None:
            self._start_s = now_s
        time_s = now_s - self._start_s
        due = int(time_s / DT_S)
        while self.world.steps < due:
            self.world.step()
        return time_s
