"""Control units that do as the test says, and a bench in virtual time that runs a schedule against them."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from heapq import heappop, heappush

from livemon.obd.decode import Decoder
from livemon.obd.schedule import Schedule
from livemon.permit import permit
from livemon.records import Frame, Reading

LENGTHS = {
    **dict.fromkeys((0x04, 0x05, 0x0D, 0x11, 0x45, 0x49, 0x62, 0x8E), 1),
    **dict.fromkeys((0x0C, 0x10, 0x43, 0x5E, 0x63), 2),
    0xA4: 4,
}


@dataclass
class Unit:
    """A control unit of the test's own: answers service 01, 03, 09 after `delay_s`, one ask at a time."""

    pids: tuple[int, ...] = (0x05, 0x0C, 0x0D, 0x49, 0x62, 0x63, 0xA4)
    can_id: int = 0x7E8
    extended: bool = False
    delay_s: float = 0.01
    most: int = 6  # PIDs in one ask
    ignores_long: bool = False  # asks of more PIDs: silent, or answered for the first `most`
    physical: bool = True
    loss: float = 0.0
    negative: dict[int, int] = field(default_factory=dict)  # PID -> reason
    rng: random.Random = field(default_factory=lambda: random.Random(1))
    silent: bool = False
    last: bytes = b""

    def hears(self, frame: Frame) -> bool:
        own = 0x18DA00F1 | (self.can_id & 0xFF) << 8 if self.extended else self.can_id - 8
        everybody = 0x18DB33F1 if self.extended else 0x7DF
        return frame.extended == self.extended and (
            frame.can_id == everybody or (self.physical and frame.can_id == own)
        )

    def answer(self, ask: bytes) -> bytes:
        if ask[0] == 0x01:
            if len(ask) - 1 > self.most and self.ignores_long:
                return b""
            asked = ask[1 : 1 + self.most]
            if len(asked) == 1 and asked[0] in self.negative:
                return bytes((0x7F, 0x01, self.negative[asked[0]]))
            return (
                b"\x41" + b"".join(self.value(pid) for pid in asked) if any(map(self.value, asked)) else b""
            )
        if ask[0] == 0x03:
            return bytes.fromhex("43010741")
        if ask[0] == 0x09:
            return bytes.fromhex("490201") + b"1LIVEMONTESTV0001"
        return b""

    def value(self, pid: int) -> bytes:
        if pid & 0x1F == 0:
            mask = sum(1 << 32 - (each - pid) for each in self.pids if pid < each <= pid + 32)
            if any(each > pid + 32 for each in self.pids):
                mask |= 1
            return bytes((pid,)) + mask.to_bytes(4, "big") if mask else b""
        data = bytes.fromhex("03100E74") if pid == 0xA4 else bytes([0x40] * LENGTHS.get(pid, 0))
        return bytes((pid,)) + data if pid in self.pids else b""


class Bench:
    """Runs a schedule and a decoder against units. Time is virtual; a frame takes 0.25 ms on the wire."""

    def __init__(self, schedule: Schedule, units: Iterable[Unit]) -> None:
        self.schedule, self.units, self.decoder = schedule, list(units), Decoder()
        self.now_s = 0.0
        self.asks: list[tuple[float, Frame]] = []
        self.answers = 0
        self.readings: list[Reading] = []
        self._queue: list[tuple[float, int, Frame]] = []
        self._rest: dict[int, list[bytes]] = {}
        self._order = 0

    def run(self, until_s: float) -> None:
        while self.now_s < until_s:
            while (ask := self.schedule.next(self.now_s)) is not None:
                permit(ask)  # raises if the schedule asks anything it must not
                assert len(ask.data) == 8
                self.asks.append((self.now_s, ask))
                self.decoder.feed(ask)
                self._hear(ask)
            until = self.now_s + self.schedule.wait_s(self.now_s)
            if self._queue and self._queue[0][0] <= until:
                due_s, _, frame = heappop(self._queue)
                self.now_s = max(self.now_s, due_s)
                frame = frame._replace(time_s=self.now_s)
                self.answers += 1
                self.schedule.feed(frame, self.now_s)
                self.readings += self.decoder.feed(frame)
                if self.decoder.flow_control is not None:
                    permit(self.decoder.flow_control)
                    for number, data in enumerate(self._rest.pop(frame.can_id, [])):
                        self._put(self.now_s + 0.002 + 0.0005 * number, frame, data)
            else:
                self.now_s = until

    def _hear(self, ask: Frame) -> None:
        payload = ask.data[1 : 1 + ask.data[0]]
        for unit in self.units:
            if not unit.hears(ask) or unit.silent or unit.rng.random() < unit.loss:
                continue
            message = unit.answer(payload)
            if not message:
                continue
            frame = Frame(0.0, unit.can_id, unit.extended, b"")
            delay_s = unit.delay_s * unit.rng.uniform(0.8, 1.2)
            if len(message) <= 7:
                self._put(self.now_s + delay_s, frame, bytes((len(message),)) + message)
                continue
            self._put(self.now_s + delay_s, frame, bytes((0x10, len(message))) + message[:6])
            self._rest[unit.can_id] = [
                bytes((0x20 | 1 + n & 15,)) + message[6 + 7 * n : 13 + 7 * n]
                for n in range((len(message) - 6 + 6) // 7)
            ]

    def _put(self, due_s: float, frame: Frame, data: bytes) -> None:
        self._order += 1
        heappush(self._queue, (due_s, self._order, frame._replace(data=data.ljust(8, b"\xaa"))))


def counts(readings: Iterable[Reading]) -> Counter[str]:
    return Counter(reading.quantity for reading in readings)
