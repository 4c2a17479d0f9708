"""A drive as a poller would record it, in virtual time: frames out, truth alongside, no bus in between."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from livemon.identifiers import ENGINE, FUNCTIONAL, tester_id
from livemon.records import Frame
from livemon.simulate.broadcast import Broadcast, Layout
from livemon.simulate.causes import Truth
from livemon.simulate.control_unit import ControlUnit
from livemon.simulate.draw_unit import PollPlan
from livemon.simulate.scenario import Scenario
from livemon.simulate.signals import Signals
from livemon.simulate.world import DT_S

ANSWER_TIMEOUT_S = 0.25
QUICK = {
    0x0C: 10.0,
    0x0D: 5.0,
    0x62: 3.0,
    0x10: 3.0,
    0x43: 3.0,
    0x49: 1.2,
    0x5A: 1.2,
    0x11: 0.8,
    0x04: 0.8,
    0x61: 0.4,
    0xA4: 1.5,
}
NEVER = (0x01, 0x1F, 0x2F, 0x64, 0xA6)


class Drive:
    """Iterate for the frames. `truth` is the vehicle at the newest frame.

    With keep_truth, `truth_at(t)` gives the recorded truth nearest to t [s from the first frame].
    """

    def __init__(self, scenario: Scenario, keep_truth: bool = False, start_s: float = 0.0) -> None:
        self.scenario = scenario
        self.world = scenario.world()
        self._start_s = start_s
        self._keep = keep_truth
        self.history: list[Truth] = []
        rng = Random(f"{scenario.seed}:poll")
        self.unit = ControlUnit(scenario.unit, self.world, rng)
        self._rng = rng
        self._frames = self._run()

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        return next(self._frames)

    @property
    def truth(self) -> Truth:
        return self.world.truth()

    def truth_at(self, time_s: float) -> Truth:
        """The truth at the step nearest to `time_s`; needs keep_truth."""
        return self.history[min(len(self.history) - 1, max(0, round(time_s / DT_S) - 1))]

    def _advance(self, time_s: float) -> None:
        if not self._keep:
            self.world.run_to(time_s)
            return
        world, due = self.world, int(time_s / DT_S)
        while world.steps < due:
            world.step()
            self.history.append(world.truth())

    def _run(self) -> Iterator[Frame]:
        poll, seconds = self.scenario.poll, self.scenario.seconds
        asks = _asks(poll, self.scenario)
        rng, unit, start = self._rng, self.unit, self._start_s
        extended = self.scenario.unit.extended
        everybody, engine = FUNCTIONAL[extended], tester_id(ENGINE[extended], extended)
        tail = bytes((poll.padding,)) * 7
        now = 0.0
        while now < seconds:
            self._advance(now)
            payload = next(asks)
            target = engine if poll.physical and payload[0] == 1 else everybody
            frame = Frame(start + now, target, extended, (bytes((len(payload),)) + payload + tail)[:8])
            yield frame
            unit.receive(frame, now)
            asked = last = now
            deadline = now + ANSWER_TIMEOUT_S
            while unit.next_s <= deadline:
                due = unit.next_s
                self._advance(due)
                for answer in unit.emit(due):
                    last = answer.time_s
                    yield answer._replace(time_s=start + last)
                    if answer.data[0] >> 4 == 1:
                        reply = last + 0.0008 + 0.002 * rng.random()
                        partner = tester_id(answer.can_id, extended)
                        flow = Frame(start + reply, partner, extended, b"\x30\x00\x00" + tail[:5])
                        yield flow
                        unit.receive(flow, reply)
                        deadline = reply + ANSWER_TIMEOUT_S
            if last == asked:  # nobody answered
                last = deadline
            period = max(1, len(payload) - 1) / poll.readings_per_s
            now = max(last + 0.001, asked + period) + poll.jitter_s * rng.random()


def drive(scenario: Scenario, keep_truth: bool = False, start_s: float = 0.0) -> Drive:
    """The drive's frames in time order, as a poller would have recorded them.

    start_s is added to every frame's time (use an epoch second for a recording).
    """
    return Drive(scenario, keep_truth, start_s)


def _asks(poll: PollPlan, scenario: Scenario) -> Iterator[bytes]:
    """Ask payloads (service and PIDs) without end."""
    known = set(scenario.unit.pids) | (set() if poll.physical else set(scenario.unit.transmission_pids))
    if poll.opens:
        base = 0
        while base == 0 or any(p > base for p in known):
            yield bytes((0x01, base))
            base += 0x20
        yield b"\x09\x02"
        yield b"\x03"
        yield b"\x07"
        yield b"\x0a"
    wanted = [p for p in sorted(known) if p not in NEVER]
    if poll.order == "round_robin":
        weights = dict.fromkeys(wanted, 1.0)
    elif poll.order == "weighted":
        keep = (0x0C, 0x0D, 0x62, 0x63, 0x8E, 0x10, 0x43, 0x49)
        weights = {p: QUICK.get(p, 0.3) for p in wanted if p in keep}
    else:
        weights = {p: QUICK.get(p, 0.12) for p in wanted}
    size = min(poll.pids_per_ask, scenario.unit.most_pids, len(weights))
    # stride scheduling: the PIDs whose turn is longest overdue for their weight; engine speed rides along
    turn = {p: 1.0 / w for p, w in weights.items()}
    always = (0x0C,) if size > 1 and poll.order != "round_robin" else ()
    for p in always:
        del turn[p]
    while True:
        chosen = sorted(turn, key=turn.__getitem__)[: size - len(always)]
        for p in chosen:
            turn[p] += 1.0 / weights[p]
        yield bytes((0x01, *sorted((*always, *chosen))))


class Overheard:
    """The drive's broadcast frames, as somebody who only listens would have recorded them. Iterate for the
    frames; `truth` is the vehicle at the newest. start_s is added to every frame's time."""

    def __init__(self, scenario: Scenario, layout: Layout, start_s: float = 0.0) -> None:
        self._seconds, self._start_s = scenario.seconds, start_s
        self.world = world = scenario.world()
        rng = Random(f"{scenario.seed}:broadcast")
        self._broadcast = Broadcast(layout, world, Signals(scenario.unit.signals, world, rng), rng)

    @property
    def truth(self) -> Truth:
        return self.world.truth()

    def __iter__(self) -> Iterator[Frame]:
        world, broadcast = self.world, self._broadcast
        first_s = broadcast.next_s
        while (due_s := broadcast.next_s) < self._seconds:
            world.run_to(due_s)
            for frame in broadcast.emit(due_s):
                yield frame._replace(time_s=self._start_s + frame.time_s - first_s)
