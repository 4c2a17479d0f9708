"""Where a DBC's signals lie in a frame and what their bits are worth in our units: worked out beforehand.

Every signal, multiplexed or not, whole number or float, is taken out with a shift and a mask and valued by
the same rules. The same numbers as cantools' (a test holds them together).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterable
from math import isfinite
from typing import TYPE_CHECKING, Final, NamedTuple

from livemon.quantities import QUANTITIES

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

# What a signal's unit, as written in the DBC, is worth in ours: (our unit, factor).
_UNITS: Final[dict[str, tuple[str, float]]] = {
    **dict.fromkeys(("mph", "mi/h", "mile/h", "miles/h"), ("km/h", 1.609344)),
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
# A gear by its number, and what stands around that: G1, Gear 1, 1st, D1, R2.
_GEAR: Final = re.compile(
    r"(r|rev|reverse)?(?:g|gear|d|drive|m|f|fwd|forward)?(\d{1,2})(?:st|nd|rd|th)?(?:gear)?"
)
_NO_VALUE: Final = frozenset(
    {"sna", "na", "n/a", "notavailable", "invalid", "error", "undefined", "reserved"}
)
_FLOATS: Final = {16: ">e", 32: ">f", 64: ">d"}  # IEEE 754, by length in bits


class Bits(NamedTuple):
    """A whole number in a frame: (frame >> shift) & mask."""

    least_bytes: int  # frames shorter than this do not hold it
    little_endian: bool
    shift: int  # from the frame's low end, little-endian; big-endian: from the end of byte least_bytes
    mask: int
    sign: int  # its top bit when signed, else 0

    @property
    def places(self) -> int:
        """Its bits of the longest frame, as one number: the first byte lowest."""
        taken = self.mask << self.shift
        if self.little_endian:
            return taken
        return int.from_bytes(taken.to_bytes(self.least_bytes, "big"), "little")

    def of(self, data: bytes) -> int:
        """The number, unsigned, in a frame that is long enough."""
        number = (
            int.from_bytes(data, "little")
            if self.little_endian
            else int.from_bytes(data[: self.least_bytes], "big")
        )
        return number >> self.shift & self.mask


class Field(NamedTuple):
    """What one signal's bits are worth, ready to be taken out."""

    quantity: str
    least_bytes: int  # the next five as in Bits
    little_endian: bool
    shift: int
    mask: int
    sign: int
    # The raw value of "no value": all ones of an unsigned byte or more; -1 when there is none.
    unavailable: int
    scale: float
    offset: float
    resolution: float
    # Where scale and offset are not the whole story: raw -> value, None for no value.
    value_of: Callable[[int], float | None] | None


Multiplexers = tuple[tuple[Bits, frozenset[int]], ...]  # each with the values that switch a field in


class Switched(NamedTuple):
    """A field that lies in the frame only while each of these multiplexers has one of its values."""

    multiplexers: Multiplexers
    field: Field

    def lies_in(self, data: bytes) -> bool:
        return all(
            len(data) >= bits.least_bytes and bits.of(data) in values for bits, values in self.multiplexers
        )


class Layout(NamedTuple):
    always: tuple[Field, ...]
    switched: tuple[Switched, ...]

    def fields(self, data: bytes) -> tuple[Field, ...]:
        """The fields in this frame."""
        return (*self.always, *(each.field for each in self.switched if each.lies_in(data)))


def layout_of(signals: Iterable[tuple[str, Message, Signal]]) -> Layout:
    """Where these quantities lie. Raises ValueError with the first signal that cannot be used, and why."""
    always, switched = [], []
    taken: list[tuple[Message, Signal, int, Multiplexers]] = []
    for quantity, message, signal in signals:
        try:
            bits, multiplexers = _bits(signal), _multiplexers(message, signal)
            field = _field(signal, quantity, bits)
        except (ValueError, LookupError) as problem:
            raise ValueError(f"{message.name}.{signal.name}: {problem}") from None
        for its_message, other, places, its_multiplexers in taken:
            shared = its_message is message and other is not signal and places & bits.places
            if shared and _meet(multiplexers, its_multiplexers):
                raise ValueError(f"{message.name}.{signal.name}: bits that {other.name} has too")
        taken.append((message, signal, bits.places, multiplexers))
        if multiplexers:
            switched.append(Switched(multiplexers, field))
        else:
            always.append(field)
    return Layout(tuple(always), tuple(switched))


def _meet(some: Multiplexers, others: Multiplexers) -> bool:
    """Whether fields that these switch may lie in the same frame."""
    values_of = dict(some)
    return all(bits not in values_of or values & values_of[bits] for bits, values in others)


def _multiplexers(message: Message, signal: Signal) -> Multiplexers:
    """The multiplexers above a signal, the nearest first."""
    above: list[tuple[Bits, frozenset[int]]] = []
    while signal.multiplexer_signal and signal.multiplexer_ids is not None:
        if len(above) > len(message.signals):
            raise ValueError("multiplexers in a circle")
        parent = message.get_signal_by_name(signal.multiplexer_signal)
        above.append((_bits(parent), frozenset(signal.multiplexer_ids)))
        signal = parent
    return tuple(above)


def _bits(signal: Signal) -> Bits:
    """DBC gives a little-endian signal by its lowest bit, a big-endian one by its highest."""
    little = signal.byte_order == "little_endian"
    if little:
        shift = signal.start
        least = (signal.start + signal.length + 7) // 8
    else:
        top = signal.start // 8 * 8 + 7 - signal.start % 8  # of the frame's bits written out in order
        end = top + signal.length
        least = (end + 7) // 8
        shift = least * 8 - end
    whole_number = signal.is_signed and not signal.is_float
    return Bits(least, little, shift, (1 << signal.length) - 1, 1 << signal.length - 1 if whole_number else 0)


def _field(signal: Signal, quantity: str, bits: Bits) -> Field:
    factor = _factor(signal, quantity)
    try:
        scale, offset = float(signal.scale) * factor, float(signal.offset) * factor
        fits = isfinite(bits.mask * scale + offset)
    except OverflowError:  # a whole number too long for a float
        fits = False
    if not fits:
        raise ValueError(f"scale {str(signal.scale)[:20]}, offset {str(signal.offset)[:20]}")
    value_of: Callable[[int], float | None] | None = None
    if signal.is_float:
        value_of = _float_reader(signal.length, scale, offset)
    elif named := _named_values(signal, quantity):
        value_of = _name_reader(named, scale, offset)
    # All ones are no value: common practice, no source.
    unavailable = bits.mask if signal.length >= 8 and not (signal.is_signed or signal.is_float) else -1
    return Field(quantity, *bits, unavailable, scale, offset, abs(scale), value_of)


def _factor(signal: Signal, quantity: str) -> float:
    unit = (signal.unit or "").lower().replace(" ", "").replace("-", "").replace("*", "").replace(".", "")
    ours, factor = _UNITS.get(unit, ("", 1.0))
    return factor if ours == QUANTITIES[quantity] else 1.0


def _float_reader(length: int, scale: float, offset: float) -> Callable[[int], float | None]:
    if length not in _FLOATS:
        raise ValueError(f"a float of {length} bits")
    form = struct.Struct(_FLOATS[length])

    def value_of(raw: int) -> float | None:
        value: float = form.unpack(raw.to_bytes(form.size, "big"))[0] * scale + offset
        return value if isfinite(value) else None

    return value_of


def _name_reader(
    named: dict[int, float | None], scale: float, offset: float
) -> Callable[[int], float | None]:
    return lambda raw: named.get(raw, raw * scale + offset)


def _named_values(signal: Signal, quantity: str) -> dict[int, float | None]:
    """Raw values whose names in the value table say more than the number, or that there is none."""
    states = _NAMES.get(quantity, {})
    named: dict[int, float | None] = {}
    for raw, name in (signal.choices or {}).items():
        word = "".join(str(name).lower().replace("_", "").split())
        if word in states:
            named[int(raw)] = states[word]
        elif quantity == "gear" and (gear := _GEAR.fullmatch(word)):
            named[int(raw)] = -1.0 if gear[1] else float(gear[2])
        elif word in _NO_VALUE:
            named[int(raw)] = None
    return named
