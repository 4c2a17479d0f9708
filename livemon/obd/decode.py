"""Diagnostic frames in, readings out; beside them what the vehicle said of itself: codes, VIN, support.

Asks are read off the wire like everything else, so live and recorded traffic are decoded alike: a live loop
feeds the frames it sends as well as those it receives. A value's time is the middle of ask and answer.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Final

from livemon.identifiers import DIAGNOSTIC_MASKS, FUNCTIONAL, WantedIds, is_answer, is_ask, tester_id
from livemon.obd.codes import code_of, name_of
from livemon.obd.isotp import Assembler, flow_control_frame
from livemon.obd.pids import LENGTHS, PIDS, Pid, supported_pids
from livemon.records import Frame, Reading
from livemon.supplier import Supplier

_EXTENDED: Final = 1 << 31  # set in our keys for 29-bit identifiers: the same number can exist in both widths
_NEVER: Final = -1e9
LATEST_ANSWER_S: Final = (
    1.0  # an ask older than this is not the one being answered (P2 of ISO 15765-4: 50 ms)
)
CODE_SERVICES: Final = {0x43: "stored", 0x47: "pending", 0x4A: "permanent"}
_NEGATIVE: Final = {0x21: "busy", 0x78: "pending"}

Plain = tuple[int, str, float, float, float]  # single-frame length, quantity, scale, offset, resolution


def _key(can_id: int, extended: bool) -> int:
    return can_id | _EXTENDED if extended else can_id


class _Unit(Supplier):
    """What is known of one answering control unit."""

    __slots__ = ("asked", "assembler", "can_id", "channel", "first_s", "plain")

    def __init__(self, can_id: int, channel: str, errors: Counter[str]) -> None:
        super().__init__()
        self.can_id, self.channel = can_id, channel
        self.assembler = Assembler(errors)
        self.asked: dict[int, float] = {}  # PID -> when it was last asked of this unit alone
        self.plain: dict[int, Plain] = {}  # the one- and two-byte PIDs this unit supplies: the fast way
        self.first_s = 0.0


class Decoder:
    """Turns frames into readings, one frame at a time. Nothing a vehicle sends makes it raise.

    Frames must come in time order and hold times counted from the first frame. Where several control
    units answer the same quantity, the first one heard supplies it until it falls silent (supplier.py);
    `counters["second_source"]` counts what was left out.
    """

    def __init__(self) -> None:
        self.counters: Counter[str] = Counter()
        self.codes: dict[str, dict[str, str]] = {}  # stored, pending, permanent -> code -> name
        self.vin: str | None = None
        self.unit_names: dict[int, str] = {}
        self.freeze_frame: dict[str, float | str] = {}  # quantity -> value, and "code"
        self.supported: dict[int, set[int]] = {}  # answering identifier -> PIDs of service 01
        self.flow_control: Frame | None = None  # to be sent at once, when live; valid until the next feed
        self.wanted_masks = DIAGNOSTIC_MASKS
        self.wanted_ids = WantedIds(DIAGNOSTIC_MASKS)
        self._asked: dict[int, float] = {}  # PID -> when it was last asked of everybody
        self._saw_asks = False
        self._answers: dict[int, _Unit] = {}
        self._owner: dict[str, tuple[_Unit, int]] = {}  # quantity -> the unit and PID that supply it
        self._codes_of: dict[tuple[str, int], list[str]] = {}
        # asking identifier -> PID -> when it was last asked on it
        self._asks = {_key(can_id, extended): self._asked for extended, can_id in FUNCTIONAL.items()}
        self._services: dict[int, Callable[[_Unit, float, bytes], Sequence[Reading]]] = {
            0x41: self._current_data,
            0x42: self._freeze_frame,
            0x49: self._vehicle_information,
            0x7F: self._negative,
            **dict.fromkeys(CODE_SERVICES, self._trouble_codes),
        }

    def feed(self, frame: Frame) -> Sequence[Reading]:
        """The readings this frame completes; often none, with packed answers several."""
        time_s, can_id, extended, data, channel = frame
        self.flow_control = None
        key = can_id | _EXTENDED if extended else can_id
        unit = self._answers.get(key)
        if unit is None:
            if key in self._asks or is_ask(can_id, extended):
                self._ask(self._asks.setdefault(key, {}), time_s, data)
                return ()
            if not is_answer(can_id, extended):
                return ()
            unit = self._meet(can_id, extended, channel)
        elif channel != unit.channel:  # a log of two buses with a gateway between holds every answer twice
            if not unit.silent(time_s):
                self.counters["second_channel"] += 1
                return ()
            unit.channel = channel
        unit.heard_s = time_s
        # The fast way: one plain PID in a single frame. Everything else takes the long way below.
        if len(data) > 3 and data[1] == 0x41 and (plain := unit.plain.get(data[2])) is not None:
            length, quantity, scale, offset, resolution = plain
            if data[0] == length < len(data):
                raw = data[3] if length == 3 else data[3] << 8 | data[4]
                asked_s = self._asked.get(data[2], _NEVER)
                if unit.asked and (own_s := unit.asked.get(data[2], _NEVER)) > asked_s:
                    asked_s = own_s
                if time_s - asked_s < LATEST_ANSWER_S:
                    time_s = (time_s + asked_s) / 2.0
                value = raw * scale + offset
                # As Reading(...) does, less one call: this line runs for every answer.
                return (tuple.__new__(Reading, (time_s, quantity, value, resolution, can_id)),)
        return self._assemble(unit, frame)

    def end(self) -> None:
        """The input is over."""
        for unit in self._answers.values():
            unit.assembler.end()

    def _meet(self, can_id: int, extended: bool, channel: str) -> _Unit:
        unit = self._answers[_key(can_id, extended)] = _Unit(can_id, channel, self.counters)
        unit.asked = self._asks.setdefault(_key(tester_id(can_id, extended), extended), {})
        return unit

    def _ask(self, asked: dict[int, float], time_s: float, data: bytes) -> None:
        """Note when which PIDs were asked. Flow control and other services leave no trace."""
        if len(data) > 2 and data[1] == 0x01 and 2 <= data[0] <= 7:
            self._saw_asks = True
            for pid in data[2 : 1 + data[0]]:
                asked[pid] = time_s

    def _assemble(self, unit: _Unit, frame: Frame) -> Sequence[Reading]:
        was_busy = unit.assembler.busy
        message = unit.assembler.feed(frame.time_s, frame.data)
        if unit.assembler.wants_flow_control:
            self.flow_control = flow_control_frame(frame)
            unit.first_s = frame.time_s
        if message is None:
            return ()
        # The vehicle had the values before the first frame left, however long the others took.
        multi = was_busy and frame.data[0] >> 4 == 2
        answer = self._services.get(message[0])
        if answer is None:
            self.counters["other_service"] += 1
            return ()
        return answer(unit, unit.first_s if multi else frame.time_s, message)

    def _current_data(self, unit: _Unit, time_s: float, message: bytes) -> Sequence[Reading]:
        """41, then PID and data, as often as PIDs were asked."""
        readings: list[Reading] = []
        at = 1
        while at < len(message):
            pid = message[at]
            length = LENGTHS.get(pid)
            asked_s = max(self._asked.get(pid, _NEVER), unit.asked.get(pid, _NEVER))
            was_asked = time_s - asked_s < LATEST_ANSWER_S
            if at > 1 and self._saw_asks and not was_asked:
                self.counters["extra_bytes"] += 1  # an answer longer than the standard's, not a second PID
                break
            if length is None:
                self.counters["unknown_pid"] += 1
                break
            data = message[at + 1 : at + 1 + length]
            if len(data) < length:
                self.counters["bad_length"] += 1
                break
            at += 1 + length
            if pid & 0x1F == 0:
                self.supported.setdefault(unit.can_id, set()).update(supported_pids(pid, data))
            elif pid in PIDS:
                when_s = (time_s + asked_s) / 2.0 if was_asked else time_s
                if (plain := unit.plain.get(pid)) is not None:  # the fast way, as in feed
                    _, quantity, scale, offset, resolution = plain
                    value = (data[0] if length == 1 else data[0] << 8 | data[1]) * scale + offset
                    readings.append(Reading(when_s, quantity, value, resolution, unit.can_id))
                else:
                    readings += self._readings(unit, PIDS[pid], when_s, data)
        return readings

    def _readings(self, unit: _Unit, row: Pid, time_s: float, data: bytes) -> list[Reading]:
        readings = []
        for quantity, value, resolution in row.decode(data):
            if self._supplies(unit, row.pid, quantity):
                if row.special is None and row.length <= 2:
                    unit.plain[row.pid] = (2 + row.length, quantity, row.scale, row.offset, resolution)
                readings.append(Reading(time_s, quantity, value, resolution, unit.can_id))
            else:
                self.counters["second_source"] += 1
        return readings

    def _supplies(self, unit: _Unit, pid: int, quantity: str) -> bool:
        """Whether this unit's PID is the one the quantity is taken from."""
        owner, owner_pid = self._owner.get(quantity, (unit, pid))
        if owner is not unit and owner.silent(unit.heard_s):
            owner.plain.pop(owner_pid, None)
            owner, owner_pid = unit, pid
        if owner is unit and owner_pid == pid:
            self._owner[quantity] = (unit, pid)
            return True
        return False

    def _freeze_frame(self, unit: _Unit, time_s: float, message: bytes) -> Sequence[Reading]:
        """42, then PID, frame number and data, as often as asked. PID 02 is the code that stored it."""
        at = 1
        while at + 2 <= len(message):
            pid = message[at]
            length = LENGTHS.get(pid, 255)
            data = message[at + 2 : at + 2 + length]
            if len(data) < length:
                self.counters["bad_length"] += 1
                break
            at += 2 + length
            if pid == 0x02:
                if data != b"\0\0":
                    self.freeze_frame["code"] = code_of(data[0], data[1])
            elif pid in PIDS:
                self.freeze_frame.update((quantity, value) for quantity, value, _ in PIDS[pid].decode(data))
        return ()

    def _trouble_codes(self, unit: _Unit, time_s: float, message: bytes) -> Sequence[Reading]:
        """43/47/4A, how many, then two bytes a code; the newest answer of a unit replaces its last."""
        kind = CODE_SERVICES[message[0]]
        # Before CAN there was no count: the pairs began at once. An odd number of bytes tells.
        pairs = message[2:] if len(message) % 2 == 0 else message[1:]
        both = zip(pairs[::2], pairs[1::2], strict=False)
        self._codes_of[kind, unit.can_id] = [code_of(high, low) for high, low in both if high or low]
        self.codes[kind] = {
            code: name_of(code) for (of, _), codes in self._codes_of.items() if of == kind for code in codes
        }
        return ()

    def _vehicle_information(self, unit: _Unit, time_s: float, message: bytes) -> Sequence[Reading]:
        """49 02 01 and the VIN; 49 0A 01 and the control unit's name."""
        text = message[3:].strip(b"\0 ").decode("ascii", "replace").replace("\0", "").strip()
        if not text.isprintable() or "\ufffd" in text:
            self.counters["unreadable_text"] += 1
        elif message[1:2] == b"\x02" and len(text) == 17 and self.vin is None:
            self.vin = text
        elif message[1:2] == b"\x0a" and text:
            self.unit_names[unit.can_id] = text
        return ()

    def _negative(self, unit: _Unit, time_s: float, message: bytes) -> Sequence[Reading]:
        """7F, the service asked for, why not."""
        reason = message[2] if len(message) > 2 else 0
        self.counters["negative_" + _NEGATIVE.get(reason, f"{reason:02x}")] += 1
        return ()
