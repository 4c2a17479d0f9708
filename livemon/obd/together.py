"""Broadcast signals and diagnostic answers of one recording, read side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Sequence
from typing import Final, Protocol

from livemon.obd.decode import Decoder
from livemon.records import Frame, Reading


class Broadcast(Protocol):
    """A decoder of broadcast frames that knows beforehand what it will supply."""

    counters: Counter[str]
    quantities: frozenset[str]

    @property
    def wanted_ids(self) -> Container[tuple[int, bool]]: ...

    @property
    def wanted_masks(self) -> Sequence[tuple[int, int, bool]]: ...

    def feed(self, frame: Frame) -> Sequence[Reading]: ...


class Together:
    """A quantity that is broadcast is never taken from answers: one stream per quantity."""

    flow_control: Final = None  # whoever asked has seen to it

    def __init__(self, broadcast: Broadcast) -> None:
        self._broadcast, self._asked = broadcast, Decoder()
        self.wanted_masks = broadcast.wanted_masks  # listening live nothing is asked, so nothing answers
        self.codes = self._asked.codes

    @property
    def wanted_ids(self) -> Together:
        return self

    @property
    def counters(self) -> Counter[str]:
        return self._broadcast.counters + self._asked.counters

    @property
    def vin(self) -> str | None:
        return self._asked.vin

    def __contains__(self, key: object) -> bool:
        return key in self._broadcast.wanted_ids or key in self._asked.wanted_ids

    def feed(self, frame: Frame) -> Sequence[Reading]:
        """The readings in this frame, whichever kind it is."""
        if readings := self._broadcast.feed(frame):
            return readings
        supplied = self._broadcast.quantities
        return [answer for answer in self._asked.feed(frame) if answer.quantity not in supplied]

    def end(self) -> None:
        """The input is over."""
        self._asked.end()
