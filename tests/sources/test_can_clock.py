"""When a CAN frame was: the driver's stamps while they agree with the clock, and the clock otherwise."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from can_script import Scripted, message, source  # it lies beside this file

from livemon.clock import VirtualClock


def test_stamps_are_used_while_they_agree_and_never_when_the_clock_was_set() -> None:
    clock, bus = VirtualClock(100.0), Scripted()
    can_bus = source(bus, clock=clock)
    times, truth, wall_s = [], [], 1.7e9
    for n in range(400):
        clock.sleep(0.05)
        if n in (100, 300):
            wall_s += 3600.0 if n == 100 else -7200.0
        late_s = 0.03 if n % 7 == 0 else 0.0  # we were busy elsewhere and saw the frame late
        taken_s = clock.now_s() - late_s
        bus.script.append(message(0x7E8, "03410D32", timestamp=wall_s + taken_s))
        frame = can_bus.read(0.0)
        assert frame is not None
        times.append(frame.time_s - 1.7e9)
        truth.append(taken_s)
    assert can_bus.counters["clock_steps"] == 2
    assert times == sorted(times)
    late = [time_s - true_s for time_s, true_s in zip(times, truth, strict=True)]
    assert max(map(abs, late[1:])) < 0.032, "a set clock moves nothing"
    settled = [each for n, each in enumerate(late) if n not in (0, 300)]
    assert max(map(abs, settled)) < 0.002, "the stamp says when it was, not when we came to look"


def test_unknown_clocks_are_not_believed() -> None:
    clock, bus = VirtualClock(100.0), Scripted()
    can_bus = source(bus, "slcan", clock)
    for stamp_s in (1.0, 5e9, 0.0):
        clock.sleep(0.1)
        bus.script.append(message(0x7E8, "03410D32", timestamp=stamp_s))
        frame = can_bus.read(0.0)
        assert frame is not None
        assert frame.time_s == pytest.approx(1.7e9 + clock.now_s())
