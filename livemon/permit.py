"""The one gate: every frame that leaves livemon passes through `permit`, and only reads pass.

Sources transmit nothing but `Permitted`; only this file can make one.
"""

from __future__ import annotations

from typing import Final

from livemon.errors import RefusedError
from livemon.identifiers import is_ask
from livemon.records import Frame

# SAE J1979: current data, freeze frame, stored codes, pending codes, vehicle information, permanent codes.
READ_SERVICES: Final = frozenset({0x01, 0x02, 0x03, 0x07, 0x09, 0x0A})
_MAKER: Final = object()


class Permitted:
    """A frame that may be transmitted. Made by `permit` only."""

    __slots__ = ("_frame",)

    def __init__(self, frame: Frame, maker: object = None) -> None:
        if maker is not _MAKER:
            raise RefusedError("a frame from permit()", "a hand-made one", "the outgoing gate", "call permit")
        self._frame = frame

    @property
    def frame(self) -> Frame:
        """The frame as it was permitted; it cannot be exchanged for another."""
        return self._frame


def permit(frame: Frame) -> Permitted:
    """Return the frame as transmittable, or raise RefusedError.

    Allowed: an ISO 15765-2 single frame whose service is in READ_SERVICES, and flow control (0x3S),
    on the identifiers ISO 15765-4 gives to a tester: 0x7DF, 0x7E0-0x7E7, 18DB33F1, 18DAxxF1.
    """
    data = frame.data
    if is_ask(frame.can_id, frame.extended) and 1 <= len(data) <= 8:
        kind, low = data[0] >> 4, data[0] & 0x0F
        if kind == 0x3 and low <= 2 and len(data) >= 3:
            return Permitted(frame, _MAKER)
        if kind == 0x0 and 1 <= low <= len(data) - 1 and low <= 7 and data[1] in READ_SERVICES:
            return Permitted(frame, _MAKER)
    raise RefusedError(
        "a read request (services 01 02 03 07 09 0A) or flow control",
        f"{frame.can_id:X}#{data.hex().upper()}",
        "the outgoing gate",
        "livemon never writes to a vehicle; report this as a bug",
    )
