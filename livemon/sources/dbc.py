"""Broadcast frames in, readings out, by a user's DBC file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from livemon.identifiers import WantedIds
from livemon.quantities import REPEAT_S, STATES
from livemon.records import Frame, Reading
from livemon.sources.dbc_file import GROUP_MASK, layouts
from livemon.sources.dbc_layout import Layout
from livemon.supplier import Supplier


class _Message(Supplier):
    """Where its signals lie, and whose frames are taken: the first address and channel it is heard on.

    A log of two buses with a gateway between holds every frame twice; a J1939 group may have two senders.
    """

    __slots__ = ("address", "channel", "layout")

    def __init__(self, layout: Layout) -> None:
        super().__init__()
        self.layout = layout
        self.address, self.channel = -1, ""


class DbcDecoder:
    """Reads the quantities that `broadcast` maps to "Message.Signal" (or a signal's name alone).

    With an empty `broadcast` every signal named exactly like a quantity is read. `Reading.resolution` is
    the signal's scale, `Reading.source` the frame's identifier. Values in mph, m/s, rad/s or lb ft are
    converted by the unit the DBC states. Sends nothing; no frame makes it raise.
    Raises RecordingError when the file is no usable DBC, UsageError when it lacks a signal asked for or
    several of its messages have one of that name.
    """

    codes: Final[Mapping[str, Mapping[str, str]]] = {}  # nothing is asked, and nothing of these answered
    vin: Final = None
    flow_control: Final = None

    def __init__(self, path: str | Path, broadcast: Mapping[str, str] | None = None) -> None:
        self.counters: Counter[str] = Counter()
        found = layouts(Path(path), broadcast or {})
        self.quantities = frozenset(
            field.quantity
            for layout in found.values()
            for field in (*layout.always, *(switched.field for switched in layout.switched))
        )
        self.wanted_masks = tuple(found)
        self.wanted_ids = WantedIds(self.wanted_masks)
        self._told: dict[str, tuple[float, float]] = {}  # state -> value and time of its last reading
        self._groups: dict[int, _Message] = {}  # of J1939, by identifier without priority and address
        self._messages: dict[tuple[int, bool], _Message | None] = {}
        for (base, mask, extended), layout in found.items():
            if mask == GROUP_MASK:
                self._groups[base] = _Message(layout)
            else:
                self._messages[base, extended] = _Message(layout)

    def feed(self, frame: Frame) -> Sequence[Reading]:
        """The readings in this frame."""
        time_s, can_id, extended, data, channel = frame
        try:
            message = self._messages[can_id, extended]
        except KeyError:
            group = self._groups.get(can_id & GROUP_MASK) if extended else None
            message = self._messages[can_id, extended] = group
        if message is None:
            return ()
        address = can_id & 0xFF
        if channel != message.channel or address != message.address:
            if not message.silent(time_s):
                self.counters["second_source" if address != message.address else "second_channel"] += 1
                return ()
            message.address, message.channel = address, channel
        message.heard_s = time_s
        layout = message.layout
        readings = []
        size = len(data)
        for (
            quantity,
            least,
            little,
            shift,
            mask,
            sign,
            none,
            scale,
            offset,
            resolution,
            value_of,
        ) in layout.fields(data) if layout.switched else layout.always:
            if size < least:
                self.counters["short_frame"] += 1
                continue
            # As Bits.of does, less one call: this line runs for every signal.
            raw = (
                int.from_bytes(data, "little") if little else int.from_bytes(data[:least], "big")
            ) >> shift & mask
            told_none = raw == none  # as it stands in the frame: -1 is a value where there is a sign
            if raw & sign:
                raw -= sign << 1
            value = value_of(raw) if value_of else raw * scale + offset
            if told_none or value is None:
                self.counters["not_available"] += 1
                continue
            if quantity in STATES:
                told, told_s = self._told.get(quantity, (None, 0.0))
                if value == told and 0.0 <= time_s - told_s < REPEAT_S:
                    continue
                self._told[quantity] = (value, time_s)
            readings.append(tuple.__new__(Reading, (time_s, quantity, value, resolution, can_id)))
        return readings

    def end(self) -> None:
        """The input is over."""
