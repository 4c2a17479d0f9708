"""Hides in the frames of a VIN what names the vehicle, before they are recorded."""

from __future__ import annotations

from typing import Final

from livemon.identifiers import is_answer
from livemon.vin import mask

_VEHICLE_IDENTIFICATION: Final = (65260).to_bytes(3, "little")  # the group that carries it, SAE J1939-71
_ANNOUNCE, _TRANSFER = 0xEC, 0xEB  # TP.CM and TP.DT, SAE J1939-21
_ANNOUNCEMENTS: Final = (0x20, 0x10)  # broadcast, or a request to send that we overhear


class VinMask:
    """Takes every frame in order, and gives back the data that may be recorded."""

    def __init__(self) -> None:
        self._answering: set[int] = set()  # identifiers in the middle of a VIN, service 09
        self._sending: set[int] = set()  # the same in J1939: destination and source address

    def __call__(self, can_id: int, extended: bool, data: bytes) -> bytes:
        form = can_id >> 16 & 0xFF if extended else 0
        if form == _ANNOUNCE:
            self._announce(can_id & 0xFFFF, data)
        elif form == _TRANSFER:
            if can_id & 0xFFFF in self._sending and data:
                return _hide(data, 1, 7 * (data[0] - 1))
        elif not is_answer(can_id, extended):
            return data
        elif data[:1] and data[0] >> 4 == 1:
            return self._first(can_id, data)
        elif can_id in self._answering and data[:1] in (b"\x21", b"\x22"):
            if data[0] == 0x22:
                self._answering.discard(can_id)
            return _hide(data, 1, 3 + 7 * (data[0] - 0x21))
        return data

    def _first(self, can_id: int, data: bytes) -> bytes:
        """The first of several frames; of a VIN 49 02 01 and its first three places."""
        if data[2:4] == b"\x49\x02":
            self._answering.add(can_id)
        else:
            self._answering.discard(can_id)
        return data

    def _announce(self, session: int, data: bytes) -> None:
        if data[:1] and data[0] in _ANNOUNCEMENTS:
            if data[5:8] == _VEHICLE_IDENTIFICATION:
                self._sending.add(session)
            else:
                self._sending.discard(session)


def _hide(data: bytes, start: int, first: int) -> bytes:
    """Bytes from `start` on are text of a VIN from place `first` on."""
    return data[:start] + mask(data[start:].decode("latin-1"), first).encode("latin-1")
