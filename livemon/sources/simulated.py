"""The simulated vehicle behind the source protocol: its control units sit on an in-process CAN bus.

The vehicle lives on the clock it is given. With a VirtualClock a drive runs as fast as the machine allows,
with a MonotonicClock in real time, and either way frames carry the clock's time.
"""

from __future__ import annotations

from collections import deque
from itertools import count
from random import Random
from typing import TYPE_CHECKING

from livemon.clock import Clock
from livemon.permit import Permitted
from livemon.records import Frame
from livemon.simulate.broadcast import Broadcast, Layout
from livemon.simulate.control_unit import ControlUnit
from livemon.simulate.scenario import Scenario

if TYPE_CHECKING:
    import can

_CHANNELS = count()  # each source has its own bus, so that two never hear each other


class SimulatedSource:
    """Read, send and close, as any source. `finished` once the scenario's seconds have passed."""

    def __init__(self, scenario: Scenario, clock: Clock, layout: Layout | None = None) -> None:
        """layout: what the vehicle broadcasts unasked, beside its answers; None for nothing."""
        import can

        channel = f"livemon-simulated-{next(_CHANNELS)}"
        self.scenario = scenario
        self.world = scenario.world()
        rng = Random(f"{scenario.seed}:poll")
        self.unit = ControlUnit(scenario.unit, self.world, rng)
        self._broadcast = Broadcast(layout, self.world, self.unit.signals, rng) if layout else None
        self._clock = clock
        self._start_s = clock.now_s()
        self._sent: deque[Frame] = deque()  # read gives both sides, as every source does
        self._on_bus = 0  # frames the tester has not read yet; asking an empty bus costs more than the frame
        self._tester, self._vehicle = (
            can.Bus(channel, interface="virtual", ignore_config=True, preserve_timestamps=True) for _ in "tv"
        )

    @property
    def time_s(self) -> float:
        """Seconds since the drive began."""
        return self._clock.now_s() - self._start_s

    @property
    def finished(self) -> bool:
        return self.time_s >= self.scenario.seconds

    def read(self, timeout_s: float) -> Frame | None:
        """The next frame on the bus, or None when none came within `timeout_s` of the clock."""
        if self._sent:
            return self._sent.popleft()
        deadline_s = self.time_s + timeout_s
        while not self._on_bus:
            due_s = self._next_s
            self._clock.sleep(min(due_s, deadline_s) - self.time_s)
            if due_s > deadline_s:
                self._run_to(deadline_s)
                return None
            self._run_to(due_s)
        self._on_bus -= 1
        message = self._tester.recv(0)
        return None if message is None else _frame(message)

    def send(self, ask: Permitted) -> None:
        """Put one permitted frame on the bus; the control units hear it at once."""
        now_s = self.time_s
        self._tester.send(_message(ask.frame, self._start_s + now_s), timeout=1.0)
        self._sent.append(ask.frame._replace(time_s=self._start_s + now_s))
        self._run_to(now_s)
        message = self._vehicle.recv(0)
        if message is not None:
            self.unit.receive(_frame(message), now_s)

    def close(self) -> None:
        """Leave the bus. Safe to call twice."""
        self._tester.shutdown()
        self._vehicle.shutdown()

    @property
    def _next_s(self) -> float:
        return self.unit.next_s if self._broadcast is None else min(self.unit.next_s, self._broadcast.next_s)

    def _run_to(self, now_s: float) -> None:
        """Let the vehicle live until now, and put on the bus in its order what falls due by then."""
        while (due_s := self._next_s) <= now_s:
            self.world.run_to(due_s)
            frames = self.unit.emit(due_s)
            if self._broadcast is not None:
                frames += self._broadcast.emit(due_s)
            for frame in frames:
                self._vehicle.send(_message(frame, self._start_s + frame.time_s), timeout=1.0)
                self._on_bus += 1
        self.world.run_to(now_s)


def _message(frame: Frame, time_s: float) -> can.Message:
    import can

    return can.Message(
        timestamp=time_s, arbitration_id=frame.can_id, is_extended_id=frame.extended, data=frame.data
    )


def _frame(message: can.Message) -> Frame:
    return Frame(message.timestamp, message.arbitration_id, message.is_extended_id, bytes(message.data))
