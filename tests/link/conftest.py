"""A simulated adapter, its port and the clock in one bundle; no thread and no waiting."""

from __future__ import annotations

import pytest

from livemon.clock import VirtualClock
from livemon.permit import permit
from livemon.records import Frame
from livemon.simulate.adapter import Adapter, Unit
from livemon.simulate.adapter_faults import Faults
from livemon.simulate.adapter_host import InlinePort
from livemon.simulate.adapter_unit import ENGINE, TableUnit
from livemon.sources.base import Source
from livemon.sources.serial_open import SerialLink


class Bench:
    """An Adapter with a unit behind it, and the link that opens it on a virtual clock."""

    rpm_answer = bytes.fromhex("04410C1AF8")  # of a TableUnit

    def __init__(
        self, unit: Unit | None = None, faults: Faults | None = None, baud: int | None = None, **options: int
    ) -> None:
        self.clock = VirtualClock()
        self.unit = unit or TableUnit(ENGINE)
        self.device = Adapter(self.unit, faults, **options)
        self.ports: list[InlinePort] = []
        self.said: list[str] = []
        self.link = SerialLink(
            "inline", baud, self.said.append, self.clock, open_port=self._open, epoch_s=1_000_000.0
        )

    def _open(self, url: str, baud: int) -> InlinePort:
        self.ports.append(InlinePort(self.device, self.clock, baud))
        return self.ports[-1]

    @staticmethod
    def ask(payload: str, can_id: int = 0x7DF) -> Frame:
        data = bytes.fromhex(payload)
        return Frame(0.0, can_id, can_id > 0x7FF, bytes([len(data), *data]).ljust(8, b"\0"))

    @staticmethod
    def drain(source: Source, wait_s: float = 0.3) -> list[Frame]:
        """Everything that comes until the source is quiet for `wait_s`."""
        frames = []
        while (frame := source.read(wait_s)) is not None:
            frames.append(frame)
        return frames

    def exchange(self, source: Source, payload: str, wait_s: float = 0.3, can_id: int = 0x7DF) -> list[Frame]:
        """Send one ask and return all that comes until the source is quiet."""
        source.send(permit(self.ask(payload, can_id)))
        return self.drain(source, wait_s)


@pytest.fixture
def bench() -> type[Bench]:
    return Bench
