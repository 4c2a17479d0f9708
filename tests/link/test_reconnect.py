"""Losing the link: message, back-off, reopening, the gap, and the end when there never was a link."""

from __future__ import annotations

from itertools import pairwise
from random import Random
from typing import Any

import pytest

from livemon.clock import VirtualClock
from livemon.errors import LinkError
from livemon.permit import Permitted, permit
from livemon.records import Frame, LinkNews
from livemon.simulate.adapter_faults import Faults
from livemon.simulate.adapter_unit import TableUnit
from livemon.sources.can_open import CanLink
from livemon.sources.reconnect import LONGEST_PAUSE_S, Reconnecting
from livemon.sources.serial_open import SerialLink


def broken(why: str = "a broken cable") -> LinkError:
    return LinkError("a link", why, "here", "mend it")


class Script:
    """A source that plays a list: a number is a frame at that time, None silence, an error is raised."""

    def __init__(self, clock: VirtualClock, items: list[float | LinkError | None]) -> None:
        self.items, self.clock, self.closed, self.sent = items, clock, 0, 0

    def read(self, timeout_s: float) -> Frame | None:
        item = self.items.pop(0) if self.items else None
        self.clock.sleep(timeout_s)
        if isinstance(item, LinkError):
            raise item
        return None if item is None else Frame(item, 0x7E8, False, b"\x03\x41\x0d\x32")

    def send(self, ask: Permitted) -> None:
        self.sent += 1

    def close(self) -> None:
        self.closed += 1


def reconnecting(
    clock: VirtualClock, opens: list[Any], deadline_s: float | None = 60.0
) -> tuple[Reconnecting, list[str], list[float]]:
    said: list[str] = []
    tries: list[float] = []

    def open_source() -> Any:
        tries.append(clock.now_s())
        item = opens.pop(0) if len(opens) > 1 else opens[0]
        if isinstance(item, LinkError):
            raise item
        return item

    return Reconnecting(open_source, clock, said.append, deadline_s), said, tries


def test_a_lost_link_comes_back_and_the_gap_is_marked() -> None:
    clock = VirtualClock(50.0)
    first = Script(clock, [1000.0, 1000.1, broken()])
    second = Script(clock, [None, 1000.9, 1001.0])
    source, said, _ = reconnecting(clock, [first, broken("no such port"), second])
    frames = [frame for _ in range(40) if (frame := source.read(0.1))]
    assert [frame.time_s for frame in frames] == pytest.approx([1000.0, 1000.1, 1000.9, 1001.0])
    (gap,) = source.gaps
    assert (gap.start_s, gap.end_s) == pytest.approx((1000.1, 1000.9))
    assert "no such port" in gap.reason
    assert first.closed == 1
    assert [sentence.split(":")[0] for sentence in said] == ["link lost", "no link", said[-1]]
    assert said[-1].startswith("link is back after")
    assert [isinstance(sentence, LinkNews) for sentence in said] == [False, False, True]


def test_times_follow_the_steady_clock_over_a_gap_when_the_wall_clock_steps() -> None:
    clock = VirtualClock()
    opens = [Script(clock, [1000.0, broken()]), Script(clock, [7_000_000.0, 7_000_000.5])]
    source, _, _ = reconnecting(clock, [*opens])
    frames = [frame for _ in range(20) if (frame := source.read(0.1))]
    assert frames[1].time_s - frames[0].time_s == pytest.approx(0.5, abs=0.3)
    assert frames[2].time_s - frames[1].time_s == pytest.approx(0.5)
    assert source.counters["clock_steps"] == 1


def test_never_connected_ends_at_the_deadline_with_the_last_reason() -> None:
    clock = VirtualClock()
    source, said, tries = reconnecting(clock, [broken("no such port")], deadline_s=20.0)
    with pytest.raises(LinkError, match="no such port") as caught:
        while clock.now_s() < 100.0:
            source.read(0.5)
    assert caught.value.exit_status == 3
    assert 20.0 <= clock.now_s() < 20.0 + LONGEST_PAUSE_S + 0.5
    assert len(said) == 1  # the same reason is not said twice
    pauses = [b - a for a, b in pairwise(tries)]
    assert pauses == sorted(pauses) and pauses[0] < 0.3 and max(pauses) <= LONGEST_PAUSE_S + 0.5


def test_once_connected_it_waits_for_ever() -> None:
    clock = VirtualClock()
    source, _, _ = reconnecting(clock, [Script(clock, [5.0, broken()]), broken("gone")], deadline_s=5.0)
    while clock.now_s() < 1000.0:
        source.read(0.5)
    assert not source.connected


def test_asks_without_a_link_are_dropped_and_counted_and_close_ends_it() -> None:
    clock = VirtualClock()
    script = Script(clock, [5.0, broken()])
    source, _, _ = reconnecting(clock, [script, broken()])
    ask = permit(Frame(0.0, 0x7DF, False, b"\x02\x01\x0c"))
    source.read(0.1)
    source.send(ask)
    source.read(0.1)
    source.send(ask)
    assert script.sent == 1 and source.counters["asks_without_link"] == 1
    source.close()
    source.close()
    with pytest.raises(LinkError):
        source.read(0.1)


@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_pulling_the_plug_at_20_random_moments_always_reconnects(bench: Any, noise: float) -> None:
    """The plug is pulled anywhere in set-up, search, ask or answer, and put back up to 3 s later."""
    random = Random(4)
    b = bench(faults=Faults(seed=4, noise=noise))
    back_s = 0.0

    def open_port(url: str, baud: int) -> Any:
        if b.clock.now_s() < back_s:
            raise broken("no such port")
        port = b._open(url, baud)
        port.unplugged_s = pull_s
        return port

    b.link.open_port = open_port
    source = Reconnecting(b.link, b.clock, b.said.append)
    frames: list[Frame] = []
    times: list[float] = []
    for _ in range(20):
        pull_s = max(b.clock.now_s(), back_s) + random.uniform(0.0, 1.5)
        if b.ports:
            b.ports[-1].unplugged_s = pull_s
        while b.clock.now_s() < pull_s:
            if source.connected:
                source.send(permit(b.ask("010C")))
            if frame := source.read(0.05):
                frames.append(frame)
        back_s = b.clock.now_s() + random.uniform(0.0, 3.0)
        source.read(0.0)  # notices that the plug is out
        assert not source.connected
        pull_s = back_s + 1e9
        put_back_s = max(back_s, b.clock.now_s())
        answers = 0
        while answers < 3:
            if source.connected:
                source.send(permit(b.ask("010C")))
            if frame := source.read(0.05):
                frames.append(frame)
                answers += frame.can_id == 0x7E8
            assert b.clock.now_s() < put_back_s + 15.0, (b.said[-6:], b.device.heard[-60:])
        times.append(b.clock.now_s() - put_back_s)
    stamps = [frame.time_s for frame in frames]
    assert stamps == sorted(stamps)
    assert len(source.gaps) + 1 >= 20 - sum("no link" in s for s in b.said[:1])
    for gap in source.gaps:
        assert not any(gap.start_s < stamp < gap.end_s for stamp in stamps)
    assert sorted(times)[10] < 2.0  # back within two seconds, half the time


class Deaf:
    """A serial port that nobody answers on."""

    in_waiting = 0

    def __init__(self, clock: VirtualClock) -> None:
        self._clock, self.closed = clock, False

    def read(self, size: int, /) -> bytes:
        self._clock.sleep(0.05)
        return b""

    def write(self, data: bytes, /) -> int:
        return len(data)

    def close(self) -> None:
        self.closed = True


@pytest.mark.parametrize("at_s", [1.0, 5.0, 15.0])
def test_an_opening_that_is_told_to_stop_ends_at_once_and_is_no_failure(at_s: float) -> None:
    clock = VirtualClock()
    said: list[str] = []
    ports: list[Deaf] = []

    def open_port(url: str, baud: int) -> Deaf:
        ports.append(Deaf(clock))
        return ports[-1]

    def stop() -> bool:
        return clock.now_s() >= at_s

    link = SerialLink("port", None, said.append, clock, open_port, stop=stop)
    source = Reconnecting(link, clock, said.append, 10.0, stop)
    while not stop():
        assert source.read(0.1) is None
    assert clock.now_s() < at_s + 0.2
    assert all(port.closed for port in ports) and not any("no link" in sentence for sentence in said)


def test_a_vehicle_that_is_searched_for_may_be_told_to_stop_and_a_drive_is_not_stopped_by_it(
    bench: Any,
) -> None:
    b = bench(TableUnit({}))
    b.link.stop = lambda: b.clock.now_s() > 3.0
    source = Reconnecting(b.link, b.clock, b.said.append, 10.0, b.link.stop)
    assert source.read(0.1) is None and b.clock.now_s() < 3.2
    b = bench()
    told: list[str] = []
    b.link.stop = lambda: bool(told)
    adapter = b.link()
    told.append("to stop")
    assert b.exchange(adapter, "010C")


def test_a_bus_is_told_to_stop_between_bitrates(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = VirtualClock()
    opened: list[int | None] = []

    class Silent:
        def read(self, timeout_s: float) -> None:
            clock.sleep(timeout_s)

        def send(self, ask: Permitted) -> None:
            pass

        def close(self) -> None:
            pass

    def open_bus(self: CanLink, bitrate: int | None) -> Silent:
        opened.append(bitrate)
        return Silent()

    monkeypatch.setattr(CanLink, "_open", open_bus)
    link = CanLink("slcan", "port", clock=clock, stop=lambda: clock.now_s() > 0.5)
    assert Reconnecting(link, clock, lambda sentence: None, 0.0, link.stop).read(0.1) is None
    assert opened == [500_000]
