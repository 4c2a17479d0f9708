"""A parked vehicle: control units that answer from a table. For trying and testing the links themselves."""

from __future__ import annotations

from math import inf

from livemon import identifiers
from livemon.records import Frame

VIN = b"0LMTESTV000000017"  # invented: no region has codes that begin with 0


class TableUnit:
    """Answers the asks found in `table` (payload -> payload), long ones in ISO-TP after flow control."""

    def __init__(
        self,
        table: dict[bytes, bytes],
        *,
        extended: bool = False,
        number: int = 0,
        delay_s: float = 0.01,
        pad: int | None = 0x55,
        packs: bool = True,
    ) -> None:
        self.table = dict(table)
        self.asked: list[bytes] = []
        self.extended = extended
        self.delay_s = delay_s
        self.answer_id = identifiers.ENGINE[extended] + number
        self._asks = identifiers.FUNCTIONAL[extended], identifiers.tester_id(self.answer_id, extended)
        self._pad = pad
        self._packs = packs
        self._rest: list[bytes] = []
        self._due: list[Frame] = []

    @property
    def next_s(self) -> float:
        return self._due[0].time_s if self._due else inf

    def emit(self, now_s: float) -> list[Frame]:
        """Frames that are on the bus by `now_s`."""
        out = [frame for frame in self._due if frame.time_s <= now_s]
        del self._due[: len(out)]
        return out

    def receive(self, frame: Frame, now_s: float) -> None:
        """A frame from the tester."""
        self._due += self._answers(frame, now_s)

    def _answers(self, frame: Frame, now_s: float) -> list[Frame]:
        if frame.extended != self.extended or frame.can_id not in self._asks:
            return []
        if frame.data[0] >> 4 == 3:
            rest, self._rest = self._rest, []
            return [self._out(now_s + 0.001 * (i + 1), data) for i, data in enumerate(rest)]
        payload = frame.data[1 : 1 + (frame.data[0] & 0xF)]
        self.asked.append(payload)
        answer = self.table.get(payload) or self._packed(payload)
        if answer is None:
            return []
        if len(answer) < 8:
            return [self._out(now_s + self.delay_s, bytes([len(answer)]) + answer)]
        starts = range(6, len(answer), 7)
        self._rest = [bytes([0x20 | (i + 1) & 0xF]) + answer[at : at + 7] for i, at in enumerate(starts)]
        length = (0x1000 | len(answer)).to_bytes(2)
        return [self._out(now_s + self.delay_s, length + answer[:6])]

    def _packed(self, payload: bytes) -> bytes | None:
        """The answer to several PIDs in one ask, from the answers to each."""
        if not self._packs or payload[:1] != b"\x01" or len(payload) < 3:
            return None
        answers = [self.table.get(bytes([1, pid])) for pid in payload[1:]]
        return b"\x41" + b"".join(answer[1:] for answer in answers if answer) if any(answers) else None

    def _out(self, due_s: float, data: bytes) -> Frame:
        if self._pad is not None:
            data = data.ljust(8, bytes([self._pad]))
        return Frame(due_s, self.answer_id, self.extended, data)


class Units:
    """Several control units on one bus."""

    def __init__(self, *units: TableUnit) -> None:
        self.units = units

    @property
    def next_s(self) -> float:
        return min(unit.next_s for unit in self.units)

    def emit(self, now_s: float) -> list[Frame]:
        frames = [frame for unit in self.units for frame in unit.emit(now_s)]
        return sorted(frames, key=lambda frame: frame.time_s)

    def receive(self, frame: Frame, now_s: float) -> None:
        for unit in self.units:
            unit.receive(frame, now_s)


ENGINE = {
    bytes.fromhex("0100"): bytes.fromhex("4100BE3FA813"),
    bytes.fromhex("010C"): bytes.fromhex("410C1AF8"),
    bytes.fromhex("010D"): bytes.fromhex("410D32"),
    bytes.fromhex("0142"): bytes.fromhex("41423390"),
    bytes.fromhex("010C0D11"): bytes.fromhex("410C1AF80D321180"),
    bytes.fromhex("0902"): bytes.fromhex("490201") + VIN,
}
GEARBOX = {
    bytes.fromhex("0100"): bytes.fromhex("410000180001"),
    bytes.fromhex("010D"): bytes.fromhex("410D31"),
}
