"""One control unit as the schedule sees it: the ask in flight, how long answers take, what it can do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Final

from livemon.obd.isotp import Assembler
from livemon.obd.pids import LENGTHS
from livemon.obd.plan import MOST_PIDS, Plan

_TIMEOUT_S: Final = (0.06, 1.0)  # shortest and longest wait for an answer; P2 of ISO 15765-4 is 50 ms
_FIRST_TIMEOUT_S: Final = 0.5
_PENDING_S: Final = 5.0  # P2*: after "pending" an answer may take this long
_MULTI_FRAME_S: Final = 1.0  # N_Cr, ISO 15765-2
_LATE_S: Final = 2.0  # an answer may come so long after an ask that was given up
_BUSY_S: Final = 0.05
_PAUSE_S: Final = (0.1, 2.0)  # shortest and longest pause through silence
_LONGEST_REST_S: Final = 1.0
_MISSES_TO_PAUSE: Final = 3
_BAN_S: Final = 60.0
_MASKS: Final = (0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0)


def asked_pids(ask: bytes) -> bytes:
    """The PIDs of a service 01 ask; empty for any other."""
    return ask[1:] if ask[:1] == b"\x01" else b""


class AskedUnit:
    """A control unit and the ask it has not answered yet (`ask`, empty when it has)."""

    def __init__(self, can_id: int, extended: bool) -> None:
        self.can_id, self.extended = can_id, extended
        self.supported: set[int] = set()
        self.masks: set[int] = set()  # support masks it has answered, or will not answer
        self.plan: Plan | None = None
        self.most = MOST_PIDS  # PIDs it takes in one ask; learned downward
        self.functional = False  # it answers only asks addressed to everybody
        self.greeted = False  # its VIN and codes have been asked for
        self.froze = False  # and its freeze frame
        self.ask = b""
        self.avoid = b""  # PIDs just given up: their answer, if it still comes, must not pass for the next
        self.good: set[int] = set()  # PIDs it has answered
        self.asks = 0
        self.misses = 0  # asks in a row that went unanswered
        self.deadline_s = 0.0
        self.next_s = 0.0  # not before this
        self.share = 1.0  # of the asks it could answer, how many it is to get: helpers rest in between
        self._sent_s = 0.0
        self._given_up_s = -_LATE_S  # when the ask was sent that was last given up
        self._ever_answered = False
        self._mean_s = 0.0
        self._spread_s = 0.0
        self._timeout_s = _FIRST_TIMEOUT_S
        self._pid_misses: Counter[int] = Counter()
        self.probe: int | None = None  # a PID to be asked alone: it was left out of a packed answer
        self._probe_most = 1
        self._long_misses = 0
        self._packed = 1  # the most PIDs it has answered in one
        self._assembler = Assembler()

    @property
    def weight(self) -> float:
        """The share of a common link it should get."""
        return self.plan.weight if self.plan else 1.0

    def next_mask(self) -> int | None:
        """The support mask still to be asked for, if any: each says whether there is a next one."""
        for mask in _MASKS:
            if mask not in self.masks:
                return mask if mask == 0 or mask in self.supported else None
        return None

    def sent(self, ask: bytes, now_s: float) -> None:
        """This ask is on its way."""
        self.ask, self._sent_s, self.deadline_s = ask, now_s, now_s + self._timeout_s
        self.asks += 1

    def left(self, now_s: float) -> None:
        """The ask is on the wire only now: a serial adapter was not ready for it before."""
        self.deadline_s += now_s - self._sent_s
        self._sent_s = now_s

    def forget_ask(self, now_s: float) -> None:
        """The link was lost: nothing is in flight any more."""
        self.ask, self.misses, self.next_s, self._timeout_s = b"", 0, now_s, _FIRST_TIMEOUT_S

    def receive(self, data: bytes, now_s: float) -> bytes | None:
        """A frame from this unit; the message it completes."""
        message = self._assembler.feed(now_s, data)
        if self._assembler.wants_flow_control and self.ask:
            self.deadline_s = now_s + _MULTI_FRAME_S
        return message

    def answered(
        self, message: bytes, now_s: float, counters: Counter[str], broadcast: bool
    ) -> list[tuple[int, bytes]]:
        """Settle the ask that `message` answers; the PIDs and data of a service 01 answer.

        `broadcast`: everybody is being asked at present, so an answer to no ask of ours is none too late.
        """
        ask, pids = self.ask, asked_pids(self.ask)
        values = list(_split(message)) if message[0] == 0x41 else []
        if message[0] == 0x7F:
            if ask and message[1:2] == ask[:1]:
                self._refused(message[2] if len(message) > 2 else 0, now_s, counters)
            return []
        self.misses = 0
        if not ask or message[0] != ask[0] + 0x40 or (pids and not any(pid in pids for pid, _ in values)):
            self.next_s = min(self.next_s, now_s)
            delay_s = now_s - self._given_up_s
            if not broadcast and delay_s < _LATE_S:  # we were too impatient
                counters["late_answers"] += 1
                self._timeout_s = min(2.0 * delay_s, _TIMEOUT_S[1])
                self.deadline_s = max(self.deadline_s, now_s + self._timeout_s)
                self._ever_answered = True
            return values
        counters["answers"] += 1
        self.ask, self._ever_answered = b"", True
        self._learn_delay(now_s - self._sent_s)
        self.next_s = now_s + min(self._mean_s * (1.0 / self.share - 1.0), _LONGEST_REST_S)
        if pids:
            self._learn_packing(pids, {pid for pid, _ in values})
        return values

    def expire(self, now_s: float, counters: Counter[str]) -> None:
        """Give the ask up if its answer is overdue."""
        if not self.ask or now_s < self.deadline_s:
            return
        counters["unanswered"] += 1
        self.misses += 1
        pids, self.ask, self._given_up_s = asked_pids(self.ask), b"", self._sent_s
        self.avoid = pids
        if pids:
            self._timeout_s = min(2.0 * self._timeout_s, _TIMEOUT_S[1])
        if len(pids) == 1 and pids[0] & 0x1F == 0:
            if pids[0] != 0 and self._pid_misses[pids[0]]:
                self.masks.add(pids[0])
            self._pid_misses[pids[0]] += 1
        elif len(pids) > self._packed:
            self._long_misses += 1
            if self._long_misses >= 2:  # not the link's silence: it ignores asks of this size
                self.most, self._long_misses = max(1, len(pids) // 2), 0
        elif len(pids) == 1 and self.plan:
            self._pid_misses[pids[0]] += 1
            if self._pid_misses[pids[0]] >= 3 and self.misses == 1:  # it answers others
                self._no_answer(pids[0], now_s)
                self._pid_misses[pids[0]] = 0
        if not self._ever_answered and self.misses >= 2:
            self.functional = not self.functional
        if self.misses >= _MISSES_TO_PAUSE:
            self.next_s = now_s + min(_PAUSE_S[0] * 2.0 ** (self.misses - _MISSES_TO_PAUSE), _PAUSE_S[1])
        else:
            self.next_s = now_s

    def _refused(self, reason: int, now_s: float, counters: Counter[str]) -> None:
        """A negative answer, SAE J1979: 78 is still working on it, 21 busy, anything else a no."""
        if reason == 0x78:
            counters["pending_answers"] += 1
            self.deadline_s = now_s + _PENDING_S
            return
        counters["refused"] += 1
        pids, self.ask, self.misses = asked_pids(self.ask), b"", 0
        self._ever_answered = True
        self.next_s = now_s + (_BUSY_S if reason == 0x21 else 0.0)
        if reason == 0x21 or not pids:
            return
        if len(pids) > 1:
            self.most = max(1, len(pids) // 2)
        elif pids[0] & 0x1F == 0:
            self.masks.add(pids[0])
        else:
            self._no_answer(pids[0], now_s)

    def _learn_delay(self, delay_s: float) -> None:
        """Mean and spread of the answer time as TCP keeps them (RFC 6298); the timeout follows."""
        if self._mean_s == 0.0:
            self._mean_s, self._spread_s = delay_s, delay_s / 2.0
        else:
            self._spread_s += (abs(delay_s - self._mean_s) - self._spread_s) / 4.0
            self._mean_s += (delay_s - self._mean_s) / 8.0
        self._timeout_s = min(max(self._mean_s + 4.0 * self._spread_s + 0.02, _TIMEOUT_S[0]), _TIMEOUT_S[1])

    def _learn_packing(self, asked: bytes, got: set[int]) -> None:
        """What an answer tells of how many PIDs an ask may hold: one left out is asked alone to find out."""
        self.good |= got
        for pid in got:
            self._pid_misses.pop(pid, None)
        missing = [pid for pid in asked if pid not in got]
        if missing:
            self.probe, self._probe_most = missing[0], max(1, len(got))
            return
        self._long_misses = 0
        self._packed = max(self._packed, len(asked))
        if asked[0] == self.probe and len(asked) == 1:
            self.most, self.probe = self._probe_most, None  # it does have it: the ask was too long

    def _no_answer(self, pid: int, now_s: float) -> None:
        """The vehicle has everything else, but not this one when asked for it alone."""
        if self.plan:
            self.plan.ban((pid,), now_s + _BAN_S)
        if pid == self.probe:
            self.probe = None


def _split(message: bytes) -> Iterator[tuple[int, bytes]]:
    """The PIDs and data of a service 01 answer, as far as it can be read."""
    at = 1
    while at < len(message) and (length := LENGTHS.get(message[at])) and at + 1 + length <= len(message):
        yield message[at], message[at + 1 : at + 1 + length]
        at += 1 + length
