"""Broadcast and answered values in one recording."""

from __future__ import annotations

from collections import Counter

from livemon.obd.together import Together
from livemon.records import Frame, Reading


class Turbine:
    """A stand-in that broadcasts engine and turbine speed on 0x100."""

    def __init__(self) -> None:
        self.counters = Counter(odd=1)

    quantities = frozenset({"engine_rpm", "turbine_rpm"})
    wanted_ids = frozenset({(0x100, False)})
    wanted_masks = ((0x100, 0x7FF, False),)

    def feed(self, frame: Frame) -> tuple[Reading, ...]:
        return (Reading(frame.time_s, "turbine_rpm", 900.0),) if frame.can_id == 0x100 else ()


def test_each_frame_goes_where_it_belongs_and_broadcast_comes_first() -> None:
    both = Together(Turbine())
    frames = [
        Frame(0.0, 0x100, False, bytes(8)),
        Frame(0.1, 0x7E8, False, bytes.fromhex("04410C1AF8000000")),  # engine speed, which is broadcast
        Frame(0.2, 0x7E8, False, bytes.fromhex("03410D3200000000")),
    ]
    readings = [(r.quantity, r.value) for frame in frames for r in both.feed(frame)]
    assert readings == [("turbine_rpm", 900.0), ("vehicle_kmh", 50.0)]
    assert both.counters["odd"] == 1
    assert (0x100, False) in both.wanted_ids
    assert (0x7E8, False) in both.wanted_ids
    assert (0x123, False) not in both.wanted_ids
