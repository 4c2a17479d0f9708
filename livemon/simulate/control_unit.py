"""The simulated vehicle's control units: ISO 15765-4 answers to services 01, 03, 07, 09 and 0A.

`receive` takes a frame from the bus, `next_s` says when something is due, `emit` gives the frames due by
then. Values are sampled part-way between ask and answer, as real units do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from heapq import heappop, heappush
from math import inf
from random import Random
from typing import NamedTuple

from livemon.identifiers import ENGINE, FUNCTIONAL, TRANSMISSION, tester_id
from livemon.records import Frame
from livemon.simulate.signals import Signals, SignalTruth
from livemon.simulate.world import World

CONSECUTIVE_GAP_S = 0.0012
FLOW_CONTROL_TIMEOUT_S = 1.0  # N_Bs, ISO 15765-2


@dataclass(frozen=True, slots=True)
class UnitTruth:
    """One vehicle's way of answering."""

    signals: SignalTruth
    extended: bool  # 29-bit identifiers
    pids: tuple[int, ...]  # answered by the engine's unit
    transmission_pids: tuple[int, ...]  # answered by the transmission's unit; empty: it does not answer
    answer_s: tuple[float, float]
    sample_share: float  # of the delay after which the value is read
    most_pids: int  # PIDs taken in one ask
    padding: int
    miss_share: float  # asks that go unanswered
    vin: str
    stored: tuple[str, ...]
    pending: tuple[str, ...]
    permanent: tuple[str, ...]
    gear_early: bool  # PID A4 shows the wanted gear, before the shift has happened
    torque: str  # what there is to know torque from: reported, air_flow, load, none


class _Event(NamedTuple):
    """Something due: a frame to put on the bus, or an ask whose values are to be read now."""

    due_s: float
    order: int
    who: int  # 0 engine, 1 transmission
    frame: bytes
    ask: bytes = b""
    functional: bool = True
    send_s: float = 0.0


class ControlUnit:
    """Engine and (where fitted) transmission control unit on one bus."""

    def __init__(self, truth: UnitTruth, world: World, rng: Random) -> None:
        self.truth, self.world, self._rng = truth, world, rng
        self.signals = Signals(truth.signals, world, rng)
        wide = truth.extended
        self._answers_on = ENGINE[wide], TRANSMISSION[wide]
        self._asked_on = {FUNCTIONAL[wide]: -1}
        self._asked_on |= {tester_id(can_id, wide): who for who, can_id in enumerate(self._answers_on)}
        self._queue: list[_Event] = []
        self._order = 0
        self._rest: dict[int, tuple[list[bytes], float]] = {}  # consecutive frames that wait for flow control
        s = self.signals
        self._encoders: dict[int, Callable[[], bytes]] = {
            0x01: lambda: bytes((len(truth.stored) & 0x7F, 0x07, 0xE5, 0x00)),
            0x04: lambda: _pct(s.calculated_load_pct()),
            0x05: lambda: _byte(s.coolant_c() + 40),
            0x0B: lambda: _byte(s.manifold_kpa()),
            0x0C: lambda: _word(s.engine_rpm() * 4.0),
            0x0D: lambda: bytes((s.whole_kmh(),)),
            0x0F: lambda: _byte(truth.signals.ambient_c + 12 + 40),
            0x10: lambda: _word(s.air_g_s() * 100.0),
            0x11: lambda: _pct(12.0 + 0.85 * s.calculated_load_pct()),
            0x1F: lambda: _word(world.time_s + 300.0),
            0x2F: lambda: _pct(55.0),
            0x33: lambda: _byte(s.barometric_kpa()),
            0x42: lambda: _word(14100.0),
            0x43: lambda: _word(s.absolute_load_pct() * 2.55),
            0x46: lambda: _byte(truth.signals.ambient_c + 40),
            0x49: lambda: _pct(s.pedal_pct()),
            0x5A: lambda: _pct(100.0 * world.driver.pedal),
            0x5C: lambda: _byte(s.coolant_c() + 45),
            0x5E: lambda: _word(s.fuel_rate_l_h() * 20.0),
            0x61: lambda: _byte(s.demand_torque_pct() + 125),
            0x62: lambda: _byte(s.actual_torque_pct() + 125),
            0x63: lambda: _word(truth.signals.reference_nm),
            0x64: lambda: bytes((125 + s.friction_pct(), 165, 195, 215, 225)),
            0x8E: lambda: _byte(s.friction_pct() + 125),
            0xA4: self._gear,
            0xA6: lambda: round(421730 + world.distance_m / 100.0).to_bytes(4, "big"),
        }

    @property
    def next_s(self) -> float:
        """Time at which the next frame or sample is due; infinity when idle."""
        return self._queue[0].due_s if self._queue else inf

    def receive(self, frame: Frame, now_s: float) -> None:
        """A frame from the tester. Anything that is not for these units is ignored."""
        data = frame.data
        unit = self._addressed(frame)
        if unit is None or not data:
            return
        if data[0] >> 4 == 3:
            self._flow_control(unit, data, now_s)
            return
        length = data[0]
        if not 1 <= length <= 7 or length > len(data) - 1:
            return
        payload = bytes(data[1 : 1 + length])
        for who in (0, 1) if unit < 0 else (unit,):
            if who == 1 and not self.truth.transmission_pids:
                continue
            low, high = self.truth.answer_s
            delay = low + (high - low) * self._rng.random() ** 2
            if who == 1:
                delay += 0.004 * self._rng.random()
            if self._rng.random() >= self.truth.miss_share:
                read_s = now_s + delay * self.truth.sample_share
                self._push(_Event(read_s, 0, who, b"", payload, unit < 0, now_s + delay))

    def emit(self, now_s: float) -> list[Frame]:
        """Frames that are on the bus by `now_s`, in order. Samples due by then are taken from the world."""
        out: list[Frame] = []
        while self._queue and self._queue[0].due_s <= now_s + 1e-9:
            event = heappop(self._queue)
            if event.frame:
                out.append(Frame(event.due_s, self._answers_on[event.who], self.truth.extended, event.frame))
            elif answer := self._answer(event.who, event.ask, event.functional):
                self._send(event.who, answer, event.send_s)
        return out

    def _push(self, event: _Event) -> None:
        self._order += 1
        heappush(self._queue, event._replace(order=self._order))

    def _put_frame(self, due_s: float, who: int, data: bytes) -> None:
        self._push(_Event(due_s, 0, who, data.ljust(8, bytes((self.truth.padding,)))))

    def _send(self, who: int, answer: bytes, due_s: float) -> None:
        if len(answer) <= 7:
            self._put_frame(due_s, who, bytes((len(answer),)) + answer)
            return
        size = len(answer)
        self._put_frame(due_s, who, bytes((0x10 | size >> 8, size & 0xFF)) + answer[:6])
        rest = [
            bytes((0x20 | (1 + i) & 0x0F,)) + answer[6 + 7 * i : 13 + 7 * i]
            for i in range((size - 6 + 6) // 7)
        ]
        self._rest[who] = (rest, due_s + FLOW_CONTROL_TIMEOUT_S)

    def _flow_control(self, unit: int, data: bytes, now_s: float) -> None:
        for who in (0, 1) if unit < 0 else (unit,):
            if who not in self._rest:
                continue
            rest, deadline_s = self._rest.pop(who)
            state, block, apart = data[0] & 0x0F, data[1], data[2]
            if now_s > deadline_s or state == 2:
                continue
            if state == 1:
                self._rest[who] = (rest, now_s + FLOW_CONTROL_TIMEOUT_S)
                continue
            gap_s = (
                apart * 1e-3 if apart <= 0x7F else (apart - 0xF0) * 1e-4 if 0xF1 <= apart <= 0xF9 else 0.127
            )
            gap_s = max(gap_s, CONSECUTIVE_GAP_S)
            now, later = (rest, []) if block == 0 else (rest[:block], rest[block:])
            for i, part in enumerate(now):
                self._put_frame(now_s + 0.0015 + i * gap_s, who, part)
            if later:
                self._rest[who] = (later, now_s + FLOW_CONTROL_TIMEOUT_S)

    def _addressed(self, frame: Frame) -> int | None:
        """-1 for everybody, 0 engine, 1 transmission, None for somebody else."""
        if frame.extended != self.truth.extended:
            return None
        return self._asked_on.get(frame.can_id)

    def _pids(self, who: int) -> tuple[int, ...]:
        return self.truth.transmission_pids if who else self.truth.pids

    def _answer(self, who: int, ask: bytes, functional: bool) -> bytes:
        service = ask[0]
        if service == 0x01:
            return self._current_data(who, ask[1:], functional)
        if service in (0x03, 0x07, 0x0A):
            codes = {0x03: self.truth.stored, 0x07: self.truth.pending, 0x0A: self.truth.permanent}[service]
            mine = (
                [c for c in codes if (who == 1) == _of_transmission(c)]
                if self.truth.transmission_pids
                else list(codes)
            )
            return bytes((service + 0x40, len(mine))) + b"".join(code_bytes(c) for c in mine)
        if service == 0x09 and who == 0 and len(ask) > 1:
            if ask[1] == 0x00:
                return b"\x49\x00\x40\x00\x00\x00"
            if ask[1] == 0x02:
                return b"\x49\x02\x01" + self.truth.vin.encode("ascii")
        return b"" if functional else bytes((0x7F, service, 0x12 if service in (0x02, 0x09) else 0x11))

    def _current_data(self, who: int, pids: bytes, functional: bool) -> bytes:
        known = self._pids(who)
        out = b""
        if 1 <= len(pids) <= max(1, self.truth.most_pids):
            for pid in pids:
                if pid & 0x1F == 0:
                    mask = sum(1 << 31 - (p - pid - 1) for p in known if pid < p <= pid + 0x20)
                    mask |= 1 if any(p > pid + 0x20 for p in known) else 0
                    if mask:
                        out += bytes((pid,)) + mask.to_bytes(4, "big")
                elif pid in known:
                    out += bytes((pid,)) + self._encoders[pid]()
        if out:
            return b"\x41" + out
        return b"" if functional else b"\x7f\x01\x12"

    def _gear(self) -> bytes:
        control = self.world.control
        gear = control.target if self.truth.gear_early and control.shifting else control.gear
        if not control.engaged:
            gear = 0
        ratio = round(self.world.gearbox.ratios[gear - 1] * 1000) if gear else 0
        return bytes((0x03 if gear else 0x01, gear << 4)) + ratio.to_bytes(2, "big")


def _of_transmission(code: str) -> bool:
    return code.startswith(("P07", "P08", "P09", "P27"))


def code_bytes(code: str) -> bytes:
    """'P0741' as the two bytes of SAE J2012."""
    return ("PCBU".index(code[0]) << 14 | int(code[1:], 16)).to_bytes(2, "big")


def _byte(value: float) -> bytes:
    return bytes((min(255, max(0, round(value))),))


def _pct(value: float) -> bytes:
    return bytes((min(255, max(0, round(value * 2.55))),))


def _word(value: float) -> bytes:
    return min(65535, max(0, round(value))).to_bytes(2, "big")
