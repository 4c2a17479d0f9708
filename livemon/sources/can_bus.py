"""A CAN bus through python-can: any of its interfaces. The only file that opens one.

python-can's exceptions end here: a bus that fails is a LinkError, a frame that cannot be made sense of is
counted. Nothing leaves but Permitted frames. What left is returned by `read` too, so that whoever reads sees
and records both sides.
"""

from __future__ import annotations

import errno
import re
import select
from collections import Counter, deque
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from livemon.clock import Clock
from livemon.errors import LinkError, RefusedError
from livemon.identifiers import Mask
from livemon.permit import Permitted, permit
from livemon.records import Frame

if TYPE_CHECKING:
    import can

# Whose stamps are taken by the driver or the device: finer than the moment a program gets to see the frame.
# Any other interface stamps on arrival, or with a clock nobody here knows.
STAMPED: Final = frozenset(
    {"socketcan", "socketcand", "kvaser", "pcan", "vector", "ixxat", "neovi", "gs_usb", "systec", "virtual"}
)
KERNEL_FILTERS: Final = frozenset({"socketcan", "kvaser", "vector", "ixxat"})
_POLL_S: Final = (0.0005, 0.005)  # shortest and longest pause where the interface offers nothing to wait on
_SEND_TIMEOUT_S: Final = 0.1
_FAILED_SENDS: Final = 20  # in a row, before the link counts as lost
_GARBLED_READS: Final = 50
_DRIFT: Final = 2e-4  # two clocks may run apart by this much: 200 ppm is a poor quartz
_STEP_BACK_S: Final = 1.0  # a stamp so much older than it should be is a clock set back
_STEP_ON_S: Final = 0.5
_BUS_OFF: Final = 0x40  # SocketCAN's error class
_GONE: Final = frozenset(
    {errno.ENETDOWN, errno.ENODEV, errno.ENXIO, errno.EBADF, errno.ENETUNREACH, errno.EIO}
)


class CanBus:
    """A Source over an open python-can bus; made by can_open.

    Frame times are `epoch_s` plus the machine's monotonic clock, sharpened by the bus's own stamps where
    those can be trusted; they never go back, whatever the wall clock does (`counters["clock_steps"]`).
    """

    def __init__(
        self,
        bus: can.BusABC,
        interface: str,
        name: str,
        clock: Clock,
        epoch_s: float,
        masks: Sequence[Mask],
        listen_only: bool = False,
    ) -> None:
        self.name = name
        self.counters: Counter[str] = Counter()
        self._bus = bus
        self._interface = interface
        self._clock = clock
        self._epoch_s = epoch_s
        self._masks = masks
        self._listen_only = listen_only
        self._channel = re.sub(r"[^\w.:-]+", "_", str(name)).strip("_") or "can0"  # as recordings allow
        self._wanted: dict[tuple[int, bool], bool] = {}
        self._sent: deque[Frame] = deque()
        self._failed_sends = 0
        self._garbled = 0
        self._stamp_ahead_s: float | None = None  # bus clock less ours, as the promptest frames show it
        self._stamp_seen_s = 0.0
        self._last_s = 0.0
        self._closed = False
        try:
            self._file: int | None = bus.fileno()
        except Exception:  # NotImplementedError, or whatever a backend says instead
            self._file = None

    def read(self, timeout_s: float) -> Frame | None:
        """The next wanted data frame or frame sent; None when there was none within `timeout_s`."""
        if self._sent:
            return self._sent.popleft()
        until_s = self._clock.now_s() + timeout_s
        while True:
            message = self._receive()
            frame = None if message is None else self._frame(message)
            if frame is not None:
                return frame
            left_s = until_s - self._clock.now_s()
            if left_s <= 0.0:
                return None
            if message is None:
                self._wait(left_s, timeout_s - left_s)

    def send(self, ask: Permitted) -> None:
        """Transmit one permitted frame. Raises LinkError when the bus is gone or takes nothing for long."""
        if self._listen_only or type(ask) is not Permitted:
            raise RefusedError(
                "nothing sent on a listen-only link" if self._listen_only else "a permitted frame",
                repr(ask),
                self.name,
                "report this as a bug",
            )
        import can

        frame = permit(ask.frame).frame  # again, in case a caller has put another frame into it
        message = can.Message(
            arbitration_id=frame.can_id, is_extended_id=frame.extended, data=frame.data, check=True
        )
        try:
            self._bus.send(message, timeout=_SEND_TIMEOUT_S)
        except Exception as failure:  # can.CanError, OSError, and what backends raise besides
            self._failed_send(failure)
            return
        self._failed_sends = 0
        self._sent.append(frame._replace(time_s=self._advance(self._clock.now_s()), channel=self._channel))

    def close(self) -> None:
        """Let go of the bus. Safe to call twice."""
        if self._closed:
            return
        self._closed = True
        try:
            self._bus.shutdown()
        except Exception:  # an unplugged adapter cannot even be closed properly; it is gone either way
            self.counters["close_failed"] += 1

    def _receive(self) -> can.Message | None:
        """What is there now. A timeout of zero: python-can counts longer ones on the wall clock."""
        if self._closed:
            raise self._lost("an open bus", "it has been closed")
        try:
            message = self._bus.recv(timeout=0.0)
        except Exception as failure:
            cause = failure.__cause__ or failure
            # slcan raises these for a line that noise has spoilt, and then keeps it for ever.
            if isinstance(cause, (ValueError, IndexError)) and self._garbled < _GARBLED_READS:
                self._garbled += 1
                self.counters["garbled_lines"] += 1
                line = getattr(self._bus, "_buffer", None)  # its flush() would throw whole frames away too
                if isinstance(line, bytearray):
                    line.clear()
                return None
            raise self._lost("frames", str(failure) or type(failure).__name__) from failure
        if message is not None:
            self._garbled = 0
        return message

    def _wait(self, seconds: float, waited_s: float) -> None:
        if self._file is None:  # polling: an answer is seen at most a tenth later than it could be
            self._clock.sleep(min(_POLL_S[0] + 0.1 * waited_s, _POLL_S[1], seconds))
            return
        try:
            select.select([self._file], [], [], seconds)
        except (OSError, ValueError) as failure:
            raise self._lost("an open bus", str(failure)) from failure

    def _frame(self, message: can.Message) -> Frame | None:
        if message.is_error_frame:
            self.counters["error_frames"] += 1
            if self._interface == "socketcan" and message.arbitration_id & _BUS_OFF:
                raise self._lost("a working bus", "bus-off: too many errors")
            return None
        if message.is_remote_frame or message.is_fd:
            self.counters["fd_frames" if message.is_fd else "remote_frames"] += 1
            return None
        key = (message.arbitration_id, message.is_extended_id)
        wanted = self._wanted.get(key)
        if wanted is None:
            highest = 0x1FFFFFFF if message.is_extended_id else 0x7FF
            wanted = self._wanted[key] = 0 <= key[0] <= highest and (
                not self._masks
                or any(key[0] & mask == base and key[1] == extended for base, mask, extended in self._masks)
            )
        if not wanted:
            return None
        data = bytes(message.data)
        if len(data) > 8 or len(data) != message.dlc:
            self.counters["garbled_lines"] += 1
            return None
        return Frame(self._time_s(message.timestamp), *key, data, self._channel)

    def _time_s(self, stamp_s: float) -> float:
        """Our time of a frame that arrived just now and that the bus stamped `stamp_s`.

        A frame is never seen before it is stamped, so the largest lead of the stamp over our clock is the
        true difference of the two; letting it shrink slowly follows clocks that run apart.
        """
        now_s = self._clock.now_s()
        if self._interface not in STAMPED:
            return self._advance(now_s)
        ahead_s = stamp_s - now_s
        known_s = self._stamp_ahead_s
        if known_s is None:
            known_s = ahead_s
        elif not -_STEP_BACK_S < ahead_s - known_s < _STEP_ON_S:
            self.counters["clock_steps"] += 1
            known_s = ahead_s
        else:
            known_s = max(known_s - _DRIFT * max(0.0, now_s - self._stamp_seen_s), ahead_s)
        self._stamp_ahead_s, self._stamp_seen_s = known_s, now_s
        return self._advance(stamp_s - known_s)

    def _advance(self, time_s: float) -> float:
        self._last_s = max(self._last_s, self._epoch_s + time_s)
        return self._last_s

    def _failed_send(self, failure: Exception) -> None:
        self.counters["failed_sends"] += 1
        self._failed_sends += 1
        cause = failure.__cause__ or failure
        code = getattr(failure, "error_code", None) or getattr(cause, "errno", None)
        if code in _GONE or self._failed_sends >= _FAILED_SENDS:
            raise self._lost("a bus that takes frames", str(failure) or type(failure).__name__) from failure

    def _lost(self, expected: str, came: str) -> LinkError:
        return LinkError(expected, came, self.name, "check ignition, cable, bitrate and termination")
