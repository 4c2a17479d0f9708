"""What to ask next and when: finds who answers what, then keeps the link as busy as it can be. Pure.

    while (ask := schedule.next(now_s)) is not None: send it
    frame = read(schedule.wait_s(now_s)); schedule.feed(frame, now_s)

One ask is in flight to a control unit (to all of them together unless `parallel`), and the next one goes
out the moment its answer is there. Timeouts follow the answers' own times; silence is met with pauses that
grow to two seconds, never with giving up.
"""

from __future__ import annotations

from collections import Counter, deque
from typing import Final

from livemon.identifiers import ENGINE, FUNCTIONAL, is_answer, tester_id
from livemon.obd.answers import AskedUnit
from livemon.obd.pids import supported_pids
from livemon.obd.plan import Plan, worth_asking
from livemon.records import Frame, Regime

_PADDING: Final = 0x00
_GATHER_S: Final = 0.15  # after the first answer to a broadcast ask; P2 is 50 ms, adapters add to it
_HEAR_S: Final = 0.5  # how long a broadcast ask waits for the first answer
_LONGEST_PAUSE_S: Final = 2.0
_LOST_S: Final = 10.0  # after so long a silence ask for whoever is there, not only for whom we knew
_CHORE_EVERY_S: Final = 0.5
_IDLE_S: Final = 0.05  # how soon to look again at a unit with nothing worth asking
_CODES_EVERY_S: Final = 180.0
_BUSY: Final[frozenset[Regime]] = frozenset({"launch", "locked"})  # no chores here, unless long overdue
_VIN, _STORED, _PENDING, _PERMANENT = b"\x09\x02", b"\x03", b"\x07", b"\x0a"
_FREEZE_FRAME: Final = tuple(bytes((0x02, pid, 0x00)) for pid in (0x02, 0x0C, 0x0D, 0x04, 0x05))
# Asked where no support mask can be had or none of it is of use.
_COMMON_PIDS: Final = frozenset({0x04, 0x05, 0x0C, 0x0D, 0x0F, 0x10, 0x11})


def ask_frame(time_s: float, can_id: int, extended: bool, ask: bytes, channel: str) -> Frame:
    """A single frame of eight bytes; many control units ignore shorter ones."""
    data = (bytes((len(ask),)) + ask).ljust(8, bytes((_PADDING,)))
    return Frame(time_s, can_id, extended, data, channel)


class Schedule:
    """Set `regime` whenever it changes; `units` are the control units met, by answering identifier.

    extended: 29-bit identifiers (True), 11-bit (False), or both in turn until somebody answers (None).
    fuel: as in the vehicle file; it decides what torque and pedal are asked for.
    """

    def __init__(
        self,
        extended: bool | None = None,
        channel: str = "can0",
        parallel: bool = True,
        fuel: str | None = None,
    ) -> None:
        self.regime: Regime = "unknown"
        self.units: dict[int, AskedUnit] = {}
        self.counters: Counter[str] = Counter()
        self._all_widths = (False, True) if extended is None else (extended,)
        self._widths = deque(self._all_widths)
        self._channel = channel
        self._parallel = parallel
        self._fuel = fuel
        self._searching = True
        self._search_s = 0.0  # when to send the next broadcast ask, or when its answers are all in
        self._search_asks = 0
        self._planned = False
        self._chores: deque[tuple[AskedUnit, bytes]] = deque()
        self._chore_s = 0.0
        self._codes_s = 0.0
        self._heard_s = 0.0

    @property
    def answering(self) -> bool:
        """Whether the vehicle has answered lately."""
        return any(unit.misses < 3 for unit in self.units.values()) and not self._searching

    def next(self, now_s: float) -> Frame | None:
        """The ask to send now, or None when every control unit is still at its last one."""
        for unit in self.units.values():
            unit.expire(now_s, self.counters)
        if self._searching or (not self.answering and now_s - self._heard_s > _LOST_S):
            return self._search(now_s)
        if not self._parallel and any(unit.ask for unit in self.units.values()):
            return None
        free = [unit for unit in self.units.values() if not unit.ask and unit.next_s <= now_s]
        for unit in sorted(free, key=lambda unit: unit.asks / unit.weight):
            ask = self._ask(unit, now_s)
            if ask:
                return self._sent(unit, ask, now_s)
            unit.next_s = now_s + _IDLE_S
        return None

    def wait_s(self, now_s: float) -> float:
        """How long nothing needs to be sent, if no frame comes."""
        waiting = [unit.deadline_s for unit in self.units.values() if unit.ask]
        if self._searching:
            waiting.append(self._search_s)
        elif self._parallel or not waiting:
            waiting += (unit.next_s for unit in self.units.values() if not unit.ask)
        return min(max(min(waiting, default=now_s) - now_s, 0.001), 0.25)

    def feed(self, frame: Frame, now_s: float) -> None:
        """Take a frame as the source gives it: an ask as it left, or an answer. Others are ignored."""
        _, can_id, extended, data, _ = frame
        if not is_answer(can_id, extended):
            for each in self.units.values():
                if each.ask and each.ask == data[1 : 1 + len(each.ask)] and can_id == self._target(each):
                    each.left(now_s)
            return
        unit = self.units.get(can_id)
        if unit is None or unit.extended != extended:
            unit = self.units[can_id] = AskedUnit(can_id, extended)
            self._planned = False
        message = unit.receive(data, now_s)
        if message is None:
            return
        self._heard_s = now_s
        if self._searching and self._search_asks:
            self._search_s = min(self._search_s, now_s + _GATHER_S)
            self._widths = deque((extended,))
        for pid, value in unit.answered(message, now_s, self.counters, self._searching):
            if pid & 0x1F == 0:
                unit.supported |= supported_pids(pid, value)
                unit.masks.add(pid)
        if message[0] == 0x43 and any(message[2:]) and not unit.froze:
            self._chores += ((unit, ask) for ask in _FREEZE_FRAME)
            unit.froze = True

    def restart(self, now_s: float) -> None:
        """The link was lost and is back: look who is there, keep what is known of those who were."""
        for unit in self.units.values():
            unit.forget_ask(now_s)
        self._searching, self._search_asks, self._search_s = True, 0, now_s

    def _search(self, now_s: float) -> Frame | None:
        """Ask everybody for the first support mask; widths in turn until one of them is answered."""
        self._searching = True
        if now_s < self._search_s:
            return None
        heard = self._search_asks and now_s - self._heard_s <= _HEAR_S + _GATHER_S and self.units
        if heard:
            self._searching, self._search_asks = False, 0
            self._chore_s = now_s + _CHORE_EVERY_S
            return None
        self._search_s = now_s + min(_HEAR_S * max(1, self._search_asks - 2), _LONGEST_PAUSE_S)
        self._search_asks += 1
        self._widths.rotate(-1)
        self.counters["broadcast_asks"] += 1
        width = self._widths[-1]
        return ask_frame(now_s, FUNCTIONAL[width], width, b"\x01\x00", self._channel)

    def _ask(self, unit: AskedUnit, now_s: float) -> bytes:
        """What to ask this unit now; empty when nothing."""
        if (mask := unit.next_mask()) is not None:
            return bytes((0x01, mask))
        if not self._planned:
            if any(each.next_mask() is not None for each in self.units.values() if each.misses < 3):
                return b""
            self._make_plans(now_s)
        if self._chore_s <= now_s and (self.regime not in _BUSY or now_s - self._chore_s > 60.0):
            self._renew_chores(now_s)
            for chore in self._chores:
                if chore[0] is unit:
                    self._chores.remove(chore)
                    self._chore_s = now_s + _CHORE_EVERY_S
                    return chore[1]
        if unit.plan is None:
            return b""
        unit.share = unit.plan.fullest_share(self.regime)
        if unit.avoid:
            # The last ask went unanswered. Ask what it is known to answer, and nothing that a late answer
            # to the last one could be taken for.
            pids = unit.plan.choose(now_s, self.regime, 1, unit.good.difference(unit.avoid))
            unit.avoid = b""
        elif unit.probe is not None:
            pids = [unit.probe]
        else:
            pids = unit.plan.choose(now_s, self.regime, unit.most)
        return bytes((0x01, *pids)) if pids else b""

    def _sent(self, unit: AskedUnit, ask: bytes, now_s: float) -> Frame:
        unit.sent(ask, now_s)
        self.counters["asks"] += 1
        return ask_frame(now_s, self._target(unit), unit.extended, ask, self._channel)

    def _target(self, unit: AskedUnit) -> int:
        return FUNCTIONAL[unit.extended] if unit.functional else tester_id(unit.can_id, unit.extended)

    def _make_plans(self, now_s: float) -> None:
        """Everybody has said what it answers: share the quantities out, the engine's unit first."""
        self._planned = True
        units = sorted(
            self.units.values(), key=lambda unit: (unit.can_id not in ENGINE.values(), unit.can_id)
        )
        chosen = worth_asking([unit.supported for unit in units], self._fuel)
        if not any(chosen):
            chosen = worth_asking([unit.supported | _COMMON_PIDS for unit in units], self._fuel)
        for unit, pids in zip(units, chosen, strict=True):
            unit.plan = Plan(pids, self._fuel)
            if not unit.greeted:
                self._chores += ((unit, ask) for ask in (_VIN, _STORED, _PENDING, _PERMANENT))
                unit.greeted = True
        self._codes_s = now_s + _CODES_EVERY_S

    def _renew_chores(self, now_s: float) -> None:
        if now_s >= self._codes_s:
            self._codes_s = now_s + _CODES_EVERY_S
            self._chores += ((unit, ask) for unit in self.units.values() for ask in (_STORED, _PENDING))
