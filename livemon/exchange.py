"""Both sides of a live link, turn by turn: ask, read, record, hand on. The same for a drive and a survey."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from livemon.clock import Clock
from livemon.obd.schedule import Schedule
from livemon.permit import permit
from livemon.records import Frame
from livemon.run import Decoder
from livemon.sources.base import Source
from livemon.store.recorder import Recorder

LISTEN_S: Final = 0.1  # longest wait for a frame: keys, signals and the screen are looked after in between


class Exchange:
    """Every frame read goes to the recorder and the schedule as it came, and to `take` in drive time.

    `schedule` None listens only: nothing is ever sent. `take` feeds the decoder, whose flow control is sent.
    """

    def __init__(
        self,
        source: Source,
        schedule: Schedule | None,
        decoder: Decoder,
        clock: Clock,
        take: Callable[[Frame], None],
        recorder: Recorder | None = None,
    ) -> None:
        self._source, self._schedule, self._decoder, self._clock = source, schedule, decoder, clock
        self._take, self._recorder = take, recorder
        self.start_s: float | None = None  # stamp of the first frame
        self.time_s = 0.0  # drive time: of the newest frame, counted from the first; never goes back

    def turn(self, asking: bool = True) -> None:
        """Send the asks that are due, unless not `asking`, and wait for one frame, LISTEN_S at most."""
        schedule, wait_s = self._schedule, LISTEN_S
        if schedule is not None and asking:
            now_s = self._clock.now_s()
            while (ask := schedule.next(now_s)) is not None:
                self._source.send(permit(ask))
            wait_s = min(wait_s, schedule.wait_s(now_s))
        frame = self._source.read(wait_s)
        if frame is None:
            return
        if self._recorder is not None:
            self._recorder.write(frame)
        if self.start_s is None:
            self.start_s = frame.time_s
        self.time_s = max(self.time_s, frame.time_s - self.start_s)
        self._take(frame._replace(time_s=self.time_s))
        if schedule is not None:
            schedule.feed(frame, self._clock.now_s())
            if (reply := self._decoder.flow_control) is not None:
                self._source.send(permit(reply))
