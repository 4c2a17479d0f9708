"""SAE J1939 broadcast frames in, readings out. To read another signal, add a row.

Positions, resolutions and offsets: SAE J1939-71 as given in [J1939Signals]; rows marked * are from memory.
A message is known by its parameter group number alone: priority and source address do not matter.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from livemon.identifiers import WantedIds
from livemon.quantities import REPEAT_S, STATES
from livemon.records import Frame, Reading
from livemon.supplier import Supplier

MESSAGE_TIMEOUT_S: Final = 0.75  # T1, SAE J1939-21: longest wait for the next packet of a long message
_TRANSFER_PGN: Final = 60160  # TP.DT, SAE J1939-21
_ANNOUNCE_PGN: Final = 60416  # TP.CM
_ANNOUNCEMENTS: Final = (0x20, 0x10)  # broadcast (BAM), or a request to send that we overhear


class Signal(NamedTuple):
    """One suspect parameter: where it lies and what it is worth. Numbers are little-endian."""

    spn: int
    quantity: str
    byte: int  # first byte, counted from 1 as the standard does
    bytes: int  # 0 for a two-bit state
    scale: float
    offset: float
    bit: int = 1  # lowest bit of a two-bit state, counted from 1


_EEC1 = (
    Signal(190, "engine_rpm", 4, 2, 0.125, 0.0),
    Signal(512, "demand_torque_pct", 2, 1, 1.0, -125.0),
    Signal(513, "engine_torque_pct", 3, 1, 1.0, -125.0),
)
_ETC1 = (
    Signal(161, "turbine_rpm", 6, 2, 0.125, 0.0),
    Signal(191, "output_rpm", 2, 2, 0.125, 0.0),
    Signal(573, "lockup", 1, 0, 1.0, 0.0, bit=3),
    Signal(574, "shift_in_process", 1, 0, 1.0, 0.0, bit=5),
    Signal(560, "in_gear", 1, 0, 1.0, 0.0, bit=1),
)
_ETC2 = (Signal(523, "gear", 4, 1, 1.0, -125.0), Signal(526, "gear_ratio", 2, 2, 0.001, 0.0))
_CCVS1 = (
    Signal(84, "vehicle_kmh", 2, 2, 1.0 / 256.0, 0.0),
    Signal(597, "brake", 4, 0, 1.0, 0.0, bit=5),
)
MESSAGES: Final[dict[int, tuple[Signal, ...]]] = {
    61444: _EEC1,
    61442: _ETC1,
    61445: _ETC2,
    65265: _CCVS1,
    61443: (  # EEC2 *
        Signal(91, "pedal_pct", 2, 1, 0.4, 0.0),
        Signal(92, "calculated_load_pct", 3, 1, 1.0, 0.0),
    ),
    65247: (Signal(514, "friction_torque_pct", 1, 1, 1.0, -125.0),),  # EEC3
    65251: (Signal(544, "reference_torque_nm", 20, 2, 1.0, 0.0),),  # EC1, sent in packets; position *
    65272: (Signal(177, "transmission_oil_c", 5, 2, 0.03125, -273.0),),  # TRF1
    65262: (Signal(110, "coolant_c", 1, 1, 1.0, -40.0), Signal(175, "oil_c", 3, 2, 0.03125, -273.0)),  # ET1 *
    65269: (  # AMB *
        Signal(108, "barometric_kpa", 1, 1, 0.5, 0.0),
        Signal(171, "ambient_c", 4, 2, 0.03125, -273.0),
        Signal(172, "intake_air_c", 6, 1, 1.0, -40.0),
    ),
    65266: (Signal(183, "fuel_rate_l_h", 1, 2, 0.05, 0.0),),  # LFE1 *
    65271: (Signal(168, "module_voltage_v", 5, 2, 0.05, 0.0),),  # VEP1 *
}

_HIGHEST_BYTE: Final = 0xFA  # above: error, not available, reserved (SAE J1939-71)
_HIGHEST_WORD: Final = 0xFAFF
_PARK: Final = 0xFB  # SPN 523 and 524 only
# What is not passed on at the rate it is sent: quantity -> shortest time between two different values.
# Pedal, load and the like come up to a hundred times a second and are of use ten times a second; 95 ms leaves
# every tenth of a 10 ms and every fifth of a 20 ms message.
_SELDOM: Final = {
    **dict.fromkeys(STATES, 0.0),
    **dict.fromkeys(("demand_torque_pct", "friction_torque_pct", "pedal_pct", "calculated_load_pct"), 0.095),
}


def group_number(can_id: int) -> int:
    """The parameter group number of an identifier (SAE J1939-21): below format 240 without its address."""
    group = can_id >> 8 & 0x3FFFF
    return group if group & 0xFF00 >= 0xF000 else group & 0x3FF00


class _Supply(Supplier):
    """Who supplies a quantity, and what was told of it last."""

    __slots__ = ("source", "told", "told_s")

    def __init__(self) -> None:
        super().__init__()
        self.source = -1
        self.told_s = -1e9
        self.told = float("nan")


_Known = tuple[tuple[tuple[Signal, _Supply], ...], int, str]  # signals, address, the channel it is heard on


class _Long:
    """A message on its way in packets of seven bytes."""

    __slots__ = ("data", "group", "heard_s", "length", "packets")

    def __init__(self, group: int, length: int, time_s: float) -> None:
        self.group, self.length, self.heard_s = group, length, time_s
        self.data = bytearray()
        self.packets = 0


class J1939Decoder:
    """Turns J1939 frames into readings. Sends nothing, needs nothing, never raises.

    "Not available" and "error" values become no reading. States (lockup, shift, gear, brake) are told when
    they change and every REPEAT_S; pedal, load and the like at most ten times a second. Where several
    addresses send the same quantity the first one heard supplies it until it falls silent (supplier.py).
    `Reading.source` is the source address.
    """

    codes: Final[Mapping[str, Mapping[str, str]]] = {}  # nothing is asked, and nothing of these answered
    vin: Final = None
    flow_control: Final = None
    wanted_masks: Final = tuple(
        (group << 8, 0x03FFFF00 if group & 0xFF00 >= 0xF000 else 0x03FF0000, True)
        for group in (*MESSAGES, _ANNOUNCE_PGN, _TRANSFER_PGN)
    )
    wanted_ids: Final = WantedIds(wanted_masks)

    def __init__(self) -> None:
        self.counters: Counter[str] = Counter()
        self._known: dict[int, _Known | None] = {}
        self._supplies: dict[str, _Supply] = {}
        self._long: dict[tuple[int, str], _Long] = {}

    def feed(self, frame: Frame) -> Sequence[Reading]:
        """The readings in this frame, or in the long message that it completes."""
        time_s, can_id, extended, data, channel = frame
        if not extended:
            return ()
        try:
            known = self._known[can_id]
        except KeyError:
            known = self._known[can_id] = self._look_up(can_id, channel)
        if known is None:
            return ()
        signals, source, first_channel = known
        if not signals:
            return self._packet(frame)
        if channel != first_channel:  # a log of two buses with a gateway between holds every frame twice
            if not all(supply.silent(time_s) for _, supply in signals):
                self.counters["second_channel"] += 1
                return ()
            self._known[can_id] = signals, source, channel
        return self._read(signals, source, time_s, data)

    def end(self) -> None:
        """The input is over."""
        self.counters["bam_unfinished"] += len(self._long)
        self._long.clear()

    def _look_up(self, can_id: int, channel: str) -> _Known | None:
        group = group_number(can_id)
        if group in (_ANNOUNCE_PGN, _TRANSFER_PGN):
            return (), can_id & 0xFF, channel
        return (self._signals(group), can_id & 0xFF, channel) if group in MESSAGES else None

    def _signals(self, group: int) -> tuple[tuple[Signal, _Supply], ...]:
        supplies = self._supplies
        return tuple((each, supplies.setdefault(each.quantity, _Supply())) for each in MESSAGES[group])

    def _read(
        self, signals: Sequence[tuple[Signal, _Supply]], source: int, time_s: float, data: bytes
    ) -> Sequence[Reading]:
        readings = []
        size = len(data)
        for (_, quantity, byte, width, scale, offset, bit), supply in signals:
            if byte + width - (width > 0) > size:
                self.counters["short_frame"] += 1
                continue
            raw = data[byte - 1]
            if width == 2:
                raw |= data[byte] << 8
                if raw > _HIGHEST_WORD:
                    continue
            elif width == 0:
                raw = raw >> bit - 1 & 3
                if raw > 1:
                    continue
            elif raw > _HIGHEST_BYTE:
                if not (raw == _PARK and quantity == "gear"):
                    continue
                raw = 125
            if supply.source != source:
                if not supply.silent(time_s):
                    self.counters["second_source"] += 1
                    continue
                supply.source = source
            supply.heard_s = time_s
            value = raw * scale + offset
            if quantity in _SELDOM:
                since_s = time_s - supply.told_s
                if 0.0 <= since_s < REPEAT_S and (value == supply.told or since_s < _SELDOM[quantity]):
                    continue
                supply.told, supply.told_s = value, time_s
            readings.append(tuple.__new__(Reading, (time_s, quantity, value, scale, source)))
        return readings

    def _packet(self, frame: Frame) -> Sequence[Reading]:
        """One frame of the transport protocol (SAE J1939-21): an announcement or a packet."""
        time_s, can_id, _, data, channel = frame
        source = can_id & 0xFF
        session = (can_id & 0xFFFF, channel)  # from whom to whom
        if len(data) != 8:
            self.counters["short_frame"] += 1
            return ()
        if group_number(can_id) == _ANNOUNCE_PGN:
            if data[0] in _ANNOUNCEMENTS:
                group = int.from_bytes(data[5:8], "little")
                if self._long.pop(session, None):
                    self.counters["bam_interrupted"] += 1
                if group in MESSAGES:
                    self._long[session] = _Long(group, int.from_bytes(data[1:3], "little"), time_s)
            return ()
        long = self._long.get(session)
        if long is None:
            return ()
        late = time_s - long.heard_s > MESSAGE_TIMEOUT_S
        if late or data[0] != long.packets + 1:
            self.counters["bam_timeout" if late else "bam_wrong_sequence"] += 1
            del self._long[session]
            return ()
        long.packets, long.heard_s = data[0], time_s
        long.data += data[1:]
        if len(long.data) < long.length:
            return ()
        del self._long[session]
        return self._read(self._signals(long.group), source, time_s, bytes(long.data[: long.length]))
