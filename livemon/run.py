"""The one place that knows the order of the stages. Everything passes through `Run.feed`.

    frame -> readings -> estimates -> warnings, evidence -> views

Live, replayed and simulated drives take the same way; only what calls `feed` differs (replay here, live.py).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from typing import Final, Protocol

from livemon.clock import Clock, wall_time
from livemon.diagnose.diagnoser import Diagnoser
from livemon.estimate import Estimator
from livemon.identifiers import Mask
from livemon.records import Estimate, Frame, LinkNews, Oscillation, Reading, Warning
from livemon.vehicle import Vehicle, curves_of
from livemon.views.memory import Memory
from livemon.views.sentences import marked
from livemon.views.snapshot import Drive, Marker, Snapshot, View

WARNINGS_KEPT = 1000
NOTICES_KEPT = 50


# Counters that the user should hear of, and from how many on.
_COUNTED: Final = (
    ("clock_steps", 1, "the clock was set back or jumped (times: {}): before and after are not compared"),
    ("absurd_values", 10, "{} readings were beyond what this vehicle can show, and left out"),
)


class Decoder(Protocol):
    """Frames in, readings out. Frame times count from the first frame of the drive."""

    @property
    def counters(self) -> Mapping[str, int]: ...

    @property
    def codes(self) -> Mapping[str, Mapping[str, str]]:
        """Trouble codes: kind (stored, pending, permanent) -> code -> standard name."""

    @property
    def vin(self) -> str | None: ...

    @property
    def flow_control(self) -> Frame | None:
        """To be sent at once by whoever asks; valid until the next feed."""

    @property
    def wanted_masks(self) -> Sequence[Mask]:
        """The frames it reads, as filters of a live bus."""

    @property
    def wanted_ids(self) -> Container[tuple[int, bool]]:
        """The frames it reads of a recording, as (identifier, extended)."""

    def feed(self, frame: Frame) -> Sequence[Reading]: ...

    def end(self) -> None: ...


class Trace(Protocol):
    """Where settled estimates are written row by row."""

    notice: str

    def write(self, e: Estimate) -> None: ...

    def close(self) -> None: ...


class Run:
    """One drive on its way through all stages. Owns the order; each stage owns its own state."""

    def __init__(
        self,
        source: str,
        decoder: Decoder,
        vehicle: Vehicle,
        *,
        view: View | None = None,
        trace: Trace | None = None,
    ) -> None:
        self.source, self.decoder, self.vehicle = source, decoder, vehicle
        self.estimator = Estimator(vehicle)
        self.diagnoser = Diagnoser(vehicle)
        self.curves = curves_of(vehicle)
        self.memory = Memory()
        self.view, self.trace = view, trace
        self.warnings: list[Warning] = []
        self.markers: list[Marker] = []
        self.notices: list[str] = []
        self.notice = ""
        self.frames = 0
        self.readings = 0
        self.time_s = 0.0
        self.coolant_c: float | None = None
        self.start_s: float | None = None  # the first frame's own stamp
        self.link_counters: Mapping[str, int] = {}
        self._codes_heard: Mapping[str, Mapping[str, str]] = {}

    def feed(self, frame: Frame) -> None:
        """Take one frame through every stage."""
        readings = self.decoder.feed(frame)
        if not readings:
            return
        memory, estimate = self.memory, self.estimator.feed
        for reading in readings:
            self.readings += 1
            memory.see(reading)
            if reading.quantity == "barometric_kpa":
                self.diagnoser.note_barometer(reading.value)
            elif reading.quantity == "coolant_c":
                self.coolant_c = reading.value
                self.diagnoser.note_coolant(reading.value)
            elif reading.quantity == "reference_torque_nm":
                self.diagnoser.note_reference_torque(reading.value)
            records = estimate(reading)
            if records:
                self._judge(records)
        self.time_s = frame.time_s
        view = self.view
        if view is not None and frame.time_s >= view.due_s:
            view.update(self.snapshot())

    def mark(self, text: str = "") -> Marker:
        """Remember this moment; without a text, as the person watching marked it, with speed and pedal."""
        marker = Marker(self.time_s, text or marked(self.estimator.now))
        self.markers.append(marker)
        return marker

    def tell(self, notice: str) -> None:
        """Something of link or recording that the user should know; trouble is kept for the result."""
        self.notice = notice
        if notice and not isinstance(notice, LinkNews) and notice not in self.notices:
            self.notices.append(notice)
            del self.notices[:-NOTICES_KEPT]

    def snapshot(self) -> Snapshot:
        """The drive as it stands, for the views."""
        self._hear_codes()
        memory = self.memory
        return Snapshot(
            time_s=self.time_s,
            source=self.source,
            vehicle=self.vehicle,
            curves=self.curves,
            estimate=self.estimator.now,
            slip=memory.recent,
            points=memory.recent_points,
            shake=memory.shake,
            coolant_c=self.coolant_c,
            warnings=self.warnings,
            standing=self.diagnoser.standing(),
            launches=len(self.diagnoser.launches),
            rates=memory.rates(self.time_s),
            counters=self.counters(),
            cannot_judge=self.diagnoser.cannot_judge,
            still_to_drive=self.diagnoser.still_to_drive,
            markers=self.markers,
            notice=self.notice,
        )

    def end(self) -> Drive:
        """Tell every stage that the input is over and gather what the drive came to."""
        self.decoder.end()
        self._judge(self.estimator.end())
        self._hear_codes()
        for warning in self.diagnoser.end():
            self._warn(warning)
        self.memory.end()
        counted = self.counters()
        for name, least, text in _COUNTED:
            if (count := counted.get(name, 0)) >= least:
                self.tell(text.format(count))
        if self.readings and "engine_rpm" not in self.memory.counts:
            self.tell("no engine speed came (PID 0C, or engine_rpm in [broadcast]): nothing can be judged")
        diagnoser, memory, decoder = self.diagnoser, self.memory, self.decoder
        if self.trace is not None:
            self.trace.close()  # a full disk may show only now
            if self.trace.notice:
                self.tell(self.trace.notice)
        return Drive(
            source=self.source,
            frames=self.frames,
            readings=self.readings,
            duration_s=self.time_s,
            vehicle=self.vehicle,
            call=diagnoser.call(),
            probabilities=diagnoser.standing(),
            findings=diagnoser.findings(),
            launches=diagnoser.launches,
            stretches=diagnoser.stretches.records,
            lockup=diagnoser.lockup(),
            counters=self.counters(),
            curves=self.curves,
            warnings=self.warnings,
            cannot_judge=diagnoser.cannot_judge,
            codes=decoder.codes,
            codes_read=diagnoser.codes.read,
            vin=decoder.vin,
            markers=self.markers,
            notices=self.notices,
            slip=memory.slip,
            points=memory.points,
            shakes=memory.shakes,
            regime_s=memory.regime_s,
            heat_peak_kw=memory.heat_peak_kw,
            heat_kj=memory.heat_kj,
            rates=memory.whole_rates(self.time_s),
            driven=wall_time(self.start_s),
        )

    def counters(self) -> dict[str, int]:
        """What was dropped, damaged or survived, stage by stage. Zeros are left out."""
        trace = {"cut_trace": int(self.trace is not None and bool(self.trace.notice))}
        total: Counter[str] = Counter()
        for stage in (self.link_counters, self.decoder.counters, self.estimator.counters, trace):
            total.update(stage)
        return {name: count for name, count in total.items() if count}

    def _judge(self, records: Iterable[Estimate | Oscillation]) -> None:
        feed, memory, trace = self.diagnoser.feed, self.memory, self.trace
        for record in records:
            if isinstance(record, Estimate):
                memory.add(record)
                if trace is not None:
                    trace.write(record)
            else:
                memory.swing(record)
            for warning in feed(record):
                self._warn(warning)

    def _warn(self, warning: Warning) -> None:
        self.warnings.append(warning)
        del self.warnings[:-WARNINGS_KEPT]
        if self.view is not None:
            self.view.warn(warning)

    def _hear_codes(self) -> None:
        codes = self.decoder.codes
        if codes != self._codes_heard:
            self._codes_heard = dict(codes)
            self.diagnoser.note_codes(codes)


def replay(run: Run, frames: Iterable[Frame], *, pace: float, clock: Clock, stop: Callable[[], bool]) -> None:
    """Feed a recording to the run; `pace` 0 as fast as it can, 1 in real time, 2 twice as fast."""
    feed = run.feed
    if pace <= 0.0:
        for frame in frames:
            feed(frame)
            if stop():
                return
        return
    began_s = clock.now_s()
    for frame in frames:
        while (wait_s := began_s + frame.time_s / pace - clock.now_s()) > 0.0 and not stop():
            clock.sleep(min(wait_s, 0.1))
        if stop():
            return
        feed(frame)
