"""A user's DBC file: broadcast frames in, readings out. The only file that imports cantools.

Whole-number signals of messages without a multiplexer are taken out with a shift and a mask worked out
beforehand; the rest goes through cantools. Both give the same numbers (a test holds them together).
"""

from __future__ import annotations

from codecs import BOM_UTF8
from collections import Counter
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from livemon.errors import RecordingError, UsageError
from livemon.quantities import QUANTITIES, STATES
from livemon.records import Frame, Reading

if TYPE_CHECKING:
    from cantools.database.can import Database, Message, Signal

_GROUP_MASK: Final = 0x03FFFF00
_REPEAT_S: Final = 0.5  # a state (gear, lockup ...) that has not changed is told again after this long
_SILENT_S: Final = 2.0  # a channel that has said nothing for so long gives its frames up to another

# What a signal's unit, as written in the DBC, is worth in ours: (our unit, factor).
_UNITS: Final[dict[str, tuple[str, float]]] = {
    "mph": ("km/h", 1.609344),
    "m/s": ("km/h", 3.6),
    "rad/s": ("rpm", 30.0 / 3.141592653589793),
    "lbft": ("N m", 1.3558179483314004),
    "ftlb": ("N m", 1.3558179483314004),
    "hz": ("rpm", 60.0),
    "bar": ("kPa", 100.0),
}
# How value tables name what a number alone does not tell; compared in lower case without blanks.
_NAMES: Final[dict[str, dict[str, float]]] = {
    "gear": {"r": -1.0, "rev": -1.0, "reverse": -1.0, "n": 0.0, "neutral": 0.0, "p": 0.0, "park": 0.0},
    "lockup": {
        **dict.fromkeys(("open", "released", "off", "unlocked", "disengaged", "notengaged"), 0.0),
        **dict.fromkeys(("locked", "applied", "on", "closed", "engaged", "lockup"), 1.0),
        **dict.fromkeys(("slip", "slipping", "partial", "controlledslip"), 1.0),  # applied, if not wholly
    },
}
_NO_VALUE: Final = frozenset(
    {"sna", "na", "n/a", "notavailable", "invalid", "error", "undefined", "reserved"}
)
_ANY_SOURCE: Final = 0xFE  # J1939's null address: in a DBC it stands for whoever sends the message


class _Plain(NamedTuple):
    """A whole-number signal, ready to be taken out: ((frame >> shift) & mask), sign, scale, offset."""

    quantity: str
    least_bytes: int  # frames shorter than this do not hold it
    little_endian: bool
    shift: int  # from the frame's low end, little-endian; big-endian: from the end of byte least_bytes
    mask: int
    sign: int  # its top bit when signed, else 0
    unavailable: (
        int  # the raw value of "no value": all ones of an unsigned byte or more; -1 when there is none
    )
    scale: float
    offset: float
    resolution: float
    named: dict[int, float | None]  # raw values that a value table names; None: no value


class _Layout(NamedTuple):
    plain: tuple[_Plain, ...]
    others: dict[str, tuple[str, float, float]]  # signal name -> quantity, factor, resolution
    message: Message


class _WantedIds:
    """The identifiers that some mask lets through."""

    def __init__(self, masks: Sequence[tuple[int, int, bool]]) -> None:
        self._masks = masks

    def __contains__(self, key: object) -> bool:
        return isinstance(key, tuple) and any(
            key[0] & mask == base and key[1] == extended for base, mask, extended in self._masks
        )


class DbcDecoder:
    """Reads the quantities that `broadcast` maps to "Message.Signal" (or a signal's name alone).

    With an empty `broadcast` every signal named exactly like a quantity is read. `Reading.resolution` is
    the signal's scale, `Reading.source` the frame's identifier. Values in mph, m/s, rad/s or lb ft are
    converted by the unit the DBC states. Sends nothing; no frame makes it raise.
    Raises RecordingError when the file is no usable DBC, UsageError when it lacks a signal asked for.
    """

    def __init__(self, path: str | Path, broadcast: Mapping[str, str] | None = None) -> None:
        self.counters: Counter[str] = Counter()
        database = _load(Path(path))
        chosen = _choose(database, broadcast or {}, str(path))
        self.quantities = frozenset(quantity for _, signals in chosen.values() for quantity, _ in signals)
        self._heard: dict[int, tuple[str, float]] = {}  # identifier -> channel and time of its last frame
        self._told: dict[str, tuple[float, float]] = {}  # state -> value and time of its last reading
        self._layouts: dict[tuple[int, bool], _Layout | None] = {}
        self._groups: dict[int, _Layout] = {}  # of J1939 messages, by identifier without priority and address
        for message, signals in chosen.values():
            layout = _layout(message, signals)
            if message.is_extended_frame and (
                message.protocol == "j1939" or message.frame_id & 0xFF == _ANY_SOURCE
            ):
                self._groups[message.frame_id & _GROUP_MASK] = layout
            else:
                self._layouts[message.frame_id, message.is_extended_frame] = layout
        self.wanted_masks = (
            *((i, 0x1FFFFFFF if extended else 0x7FF, extended) for i, extended in self._layouts),
            *((group, _GROUP_MASK, True) for group in self._groups),
        )
        self.wanted_ids = _WantedIds(self.wanted_masks)

    def feed(self, frame: Frame) -> Sequence[Reading]:
        """The readings in this frame."""
        time_s, can_id, extended, data, channel = frame
        try:
            layout = self._layouts[can_id, extended]
        except KeyError:
            layout = self._layouts[can_id, extended] = self._claim(can_id, extended)
        if layout is None:
            return ()
        heard_on, heard_s = self._heard.get(can_id, (channel, time_s))
        if channel != heard_on and time_s - heard_s < _SILENT_S:
            self.counters["second_channel"] += 1  # a log of two buses with a gateway between
            return ()
        self._heard[can_id] = (channel, time_s)
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
            named,
        ) in layout.plain:
            if size < least:
                self.counters["short_frame"] += 1
                continue
            raw = (
                int.from_bytes(data, "little") if little else int.from_bytes(data[:least], "big")
            ) >> shift & mask
            if raw & sign:
                raw -= sign << 1
            value = named.get(raw, raw * scale + offset) if named else raw * scale + offset
            if raw == none or value is None:
                self.counters["not_available"] += 1
                continue
            if quantity in STATES:
                told, told_s = self._told.get(quantity, (None, 0.0))
                if value == told and time_s - told_s < _REPEAT_S:
                    continue
                self._told[quantity] = (value, time_s)
            readings.append(tuple.__new__(Reading, (time_s, quantity, value, resolution, can_id)))
        if layout.others:
            self._decode_others(layout, frame, readings)
        return readings

    def end(self) -> None:
        """The input is over."""

    def _claim(self, can_id: int, extended: bool) -> _Layout | None:
        """The layout of an identifier met for the first time; a group is its first sender's for good."""
        return self._groups.pop(can_id & _GROUP_MASK, None) if extended else None

    def _decode_others(self, layout: _Layout, frame: Frame, readings: list[Reading]) -> None:
        try:
            values: Any = layout.message.decode(frame.data, decode_choices=False, allow_truncated=True)
            for name, (quantity, factor, resolution) in layout.others.items():
                if name in values:
                    value = float(values[name]) * factor
                    if abs(value) < float("inf"):
                        readings.append(Reading(frame.time_s, quantity, value, resolution, frame.can_id))
        except Exception:  # whatever a hostile layout makes cantools raise concerns this frame only
            self.counters["undecodable_frame"] += 1


def _load(path: Path) -> Database:
    import cantools.database
    from cantools.database.can import Database

    if not path.is_file():
        came = "a directory" if path.is_dir() else "a device or a pipe" if path.exists() else "no such file"
        raise RecordingError("a DBC file", came, str(path), "check the path")
    try:
        text = path.read_bytes()
        # The format's own encoding is that of the editors it comes from; a byte order mark says otherwise.
        encoding = "utf-8-sig" if text.startswith(BOM_UTF8) else "cp1252"
        database = cantools.database.load_string(text.decode(encoding), database_format="dbc", strict=False)
    except Exception as failure:  # parse errors, wrong encodings, impossible layouts: all one to the user
        reason = str(failure).split("\n")[0][:200] or type(failure).__name__
        raise RecordingError("a DBC file", reason, str(path), "check that the file is a whole DBC") from None
    if not isinstance(database, Database) or not database.messages:
        raise RecordingError("a DBC file", "one without messages", str(path), "give the vehicle's DBC")
    return database


_Chosen = dict[str, tuple["Message", list[tuple[str, "Signal"]]]]


def _choose(database: Database, broadcast: Mapping[str, str], where: str) -> _Chosen:
    """Message name -> the message and its (quantity, signal) pairs."""
    signals = {f"{m.name}.{s.name}": (m, s) for m in database.messages for s in m.signals}
    chosen: _Chosen = {}
    for quantity, name in broadcast.items() or {s.name: full for full, (_, s) in signals.items()}.items():
        if quantity not in QUANTITIES:
            if broadcast:
                raise _unknown(f"[broadcast] {quantity}", "a quantity", quantity, QUANTITIES, where)
            continue
        found = signals.get(name) or next(
            (both for full, both in signals.items() if full.endswith("." + name)), None
        )
        if found is None:
            raise _unknown(f"[broadcast] {quantity}", "Message.Signal in the DBC", name, signals, where)
        message, signal = found
        if not (isfinite(signal.scale) and isfinite(signal.offset)):
            raise RecordingError(
                "finite numbers in the DBC", f"scale {signal.scale}", f"{where}: {name}", "correct it"
            )
        chosen.setdefault(message.name, (message, []))[1].append((quantity, signal))
    if not chosen:
        raise UsageError(
            "a [broadcast] table in the vehicle file, or signals named like quantities",
            f"signals like {', '.join(list(signals)[:3]) or 'none'}",
            where,
            'write for instance [broadcast] engine_rpm = "Message.Signal" in the vehicle file',
        )
    return chosen


def _unknown(key: str, expected: str, came: str, known: Mapping[str, object], where: str) -> UsageError:
    near = get_close_matches(came, known, 1, 0.0)
    return UsageError(
        f"{expected} for {key}", repr(came), where, f"did you mean {near[0]!r}?" if near else "check it"
    )


def _factor(signal: Signal, quantity: str) -> float:
    unit = (signal.unit or "").lower().replace(" ", "").replace("-", "").replace("*", "").replace(".", "")
    ours, factor = _UNITS.get(unit, ("", 1.0))
    return factor if ours == QUANTITIES[quantity] else 1.0


def _layout(message: Message, signals: list[tuple[str, Signal]]) -> _Layout:
    plain, others = [], {}
    for quantity, signal in signals:
        if message.is_multiplexed() or signal.is_float or message.is_container:
            others[signal.name] = (quantity, _factor(signal, quantity), abs(float(signal.scale)))
        else:
            plain.append(_plain(signal, quantity))
    return _Layout(tuple(plain), others, message)


def _plain(signal: Signal, quantity: str) -> _Plain:
    """Bit positions: DBC gives a little-endian signal by its lowest bit, a big-endian one by its highest."""
    factor = _factor(signal, quantity)
    little = signal.byte_order == "little_endian"
    if little:
        shift = signal.start
        least = (signal.start + signal.length + 7) // 8
    else:
        top = signal.start // 8 * 8 + 7 - signal.start % 8  # of the frame's bits written out in order
        end = top + signal.length
        least = (end + 7) // 8
        shift = least * 8 - end
    mask = (1 << signal.length) - 1
    return _Plain(
        quantity,
        least,
        little,
        shift,
        mask,
        1 << signal.length - 1 if signal.is_signed else 0,
        mask if signal.length >= 8 and not signal.is_signed else -1,  # common practice, no source
        float(signal.scale) * factor,
        float(signal.offset) * factor,
        abs(float(signal.scale)) * factor,
        _named_values(signal, quantity),
    )


def _named_values(signal: Signal, quantity: str) -> dict[int, float | None]:
    """Raw values whose names in the value table say more than the number, or that there is none."""
    states = _NAMES.get(quantity, {})
    named: dict[int, float | None] = {}
    for raw, name in (signal.choices or {}).items():
        word = "".join(str(name).lower().replace("_", "").split())
        if word in states:
            named[int(raw)] = states[word]
        elif word in _NO_VALUE:
            named[int(raw)] = None
    return named
