"""Opening a CAN bus: bitrates tried in turn, the waiting said aloud."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any, Final

from livemon.clock import Clock, MonotonicClock
from livemon.errors import LinkError, UsageError
from livemon.identifiers import FUNCTIONAL, Mask
from livemon.permit import permit
from livemon.records import Frame, LinkNews
from livemon.sources.can_bus import KERNEL_FILTERS, CanBus

BITRATES: Final = (500_000, 250_000)  # ISO 15765-4; SAE J1939 uses both as well
# Interfaces whose bitrate python-can sets. With others it is set outside (ip link), or there is none.
SETS_BITRATE: Final = frozenset(
    {
        *("canalystii", "cantact", "etas", "gs_usb", "iscan", "ixxat", "kvaser", "neovi", "nican", "nixnet"),
        *("pcan", "robotell", "seeedstudio", "slcan", "systec", "usb2can", "vector"),
    }
)
# How to be a mere listener, where python-can offers it: such a node cannot disturb a bus of another bitrate.
LISTEN_ONLY: Final[dict[str, dict[str, Any]]] = {
    "slcan": {"listen_only": True},
    "vector": {"listen_only": True},
    "nixnet": {"listen_only": True},
    "seeedstudio": {"operation_mode": "silent"},
    "kvaser": {"driver_mode": False},
}
_LISTEN_S: Final = 1.5
_ANSWER_S: Final = 0.4


@dataclass(slots=True)
class CanLink:
    """Opens the bus each time it is called; the bitrate that worked is tried first the next time.

    masks: what to receive, from the decoders' `wanted_masks`; empty for everything.
    listen_only: never transmit, and be no active node where the interface allows that.
    stop: looked at before each bitrate.
    `bitrate` and `channel` mean what they mean in python-can. Calling raises LinkError when the bus cannot
    be opened, or when no bitrate tried brought a frame; UsageError when there is no such interface.
    """

    interface: str
    channel: str | None = None
    bitrate: int | None = None
    masks: Sequence[Mask] = ()
    listen_only: bool = False
    say: Callable[[str], None] = lambda sentence: None
    clock: Clock = field(default_factory=MonotonicClock)
    epoch_s: float | None = None  # what to add to the clock; found at the first opening
    stop: Callable[[], bool] = lambda: False
    _bitrate_found: int | None = None

    @property
    def name(self) -> str:
        return self.channel or self.interface

    def __call__(self) -> CanBus:
        if self.epoch_s is None:
            self.epoch_s = time.time() - self.clock.now_s()
        if self.bitrate is not None or self.interface not in SETS_BITRATE:
            return self._open(self.bitrate)
        for bitrate in sorted(BITRATES, key=lambda bitrate: bitrate != self._bitrate_found):
            if self.stop():
                raise LinkError("time to open the bus", "the order to stop", self.name, "start again")
            self.say(LinkNews(f"{self.name}: trying {bitrate // 1000} kbit/s"))
            bus = self._open(bitrate)
            try:
                heard = self._hears(bus)
            except LinkError:
                heard = False
            if heard:
                self._bitrate_found = bitrate
                return bus
            bus.close()
        raise LinkError(
            "a vehicle that is heard at 500 or 250 kbit/s",
            "silence at both",
            self.name,
            "switch the ignition on, check the plug, or give --bitrate",
        )

    def _open(self, bitrate: int | None) -> CanBus:
        import can

        if self.interface not in can.VALID_INTERFACES:
            near = get_close_matches(self.interface, sorted(can.VALID_INTERFACES), 1)
            do = f"did you mean {near[0]!r}?" if near else "give one of python-can's interfaces"
            raise UsageError("a python-can interface", repr(self.interface), "--interface", do)
        options: dict[str, Any] = {}
        if bitrate is not None:
            options["bitrate"] = bitrate
        if self.listen_only:
            options |= LISTEN_ONLY.get(self.interface, {})
        if self.masks and self.interface in KERNEL_FILTERS:
            options["can_filters"] = [
                {"can_id": base, "can_mask": mask, "extended": extended}
                for base, mask, extended in self.masks
            ]
        try:
            bus = can.Bus(interface=self.interface, channel=self.channel, ignore_config=True, **options)
        except Exception as failure:  # CanError, OSError, ValueError, ImportError: all one to the user
            reason = str(failure).split("\n")[0] or type(failure).__name__
            raise LinkError(
                f"a {self.interface} bus",
                reason,
                self.name,
                "check the name, the cable, that the interface is up and that nobody else has it",
            ) from None
        epoch_s = self.epoch_s or 0.0
        return CanBus(bus, self.interface, self.name, self.clock, epoch_s, self.masks, self.listen_only)

    def _hears(self, bus: CanBus) -> bool:
        """Whether a frame comes: unasked when only listening, else in answer to a broadcast ask."""
        if self.listen_only:
            return bus.read(_LISTEN_S) is not None
        for extended, can_id in FUNCTIONAL.items():
            bus.send(permit(Frame(0.0, can_id, extended, bytes.fromhex("0201000000000000"))))
            until_s = self.clock.now_s() + _ANSWER_S
            while (left_s := until_s - self.clock.now_s()) > 0.0:
                frame = bus.read(left_s)
                if frame is not None and frame.can_id != can_id:
                    return True
        return False
