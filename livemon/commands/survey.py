"""`livemon survey`: who answers on this vehicle, what, how fast, and what can be judged from it."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from statistics import median
from typing import Final

from livemon.clock import Clock, MonotonicClock
from livemon.commands import link as links
from livemon.commands import options, outputs
from livemon.commands.drive import decoder_of, vehicle_of
from livemon.commands.say import mention, say
from livemon.commands.survey_scope import SLOW_PER_S, scopes, to_set
from livemon.commands.survey_text import Found, as_dict, lines
from livemon.errors import LinkError
from livemon.exchange import Exchange
from livemon.files import write_whole
from livemon.identifiers import FUNCTIONAL, is_ask
from livemon.obd.decode import Decoder
from livemon.obd.schedule import Schedule, ask_frame
from livemon.permit import permit
from livemon.records import Frame, Regime
from livemon.run import Decoder as AnyDecoder
from livemon.sources.reconnect import Reconnecting
from livemon.store.recorder import Recorder

# What is asked while measuring, under the names of the columns. Standing still is enough: only asks differ.
MEASURED: Final[dict[str, Regime]] = {"pulling": "pull", "launch": "launch", "locked": "locked"}
CHORES: Final = frozenset((0x02, 0x03, 0x07, 0x09, 0x0A))  # services asked once: codes, VIN, freeze frame
CHORES_OVER_S: Final = 1.2  # they come half a second apart
LONGEST_DISCOVERY_S: Final = 25.0
DEADLINE_S: Final = 30.0  # for an answer; longer than links.OPENING_S, so that a link fails in its own words


def add_arguments(parser: argparse.ArgumentParser) -> None:
    options.add_link(parser)
    options.add_vehicle(parser)
    group = parser.add_argument_group("survey")
    group.add_argument(
        "--seconds",
        type=options.positive,
        default=4.0,
        metavar="S",
        help="how long each rate is measured (4)",
    )
    group.add_argument(
        "--json", metavar="PATH", help="write the survey for other programs; - for standard output"
    )
    group.add_argument("--record", metavar="OUT.log", help="record everything asked and answered")
    group.add_argument("--full-vin", action="store_true", help="do not mask the VIN in files")


def run(args: argparse.Namespace) -> int:
    """Survey and print. Raises LinkError when nobody answers."""
    links.check(args)
    outputs.check(args)
    clock = MonotonicClock()
    vehicle = vehicle_of(args.vehicle, args.j1939)
    decoder = decoder_of(vehicle, args.dbc, args.j1939)
    source, schedule = links.open_link(args, clock, mention, decoder.wanted_masks, vehicle.fuel)
    recorder = Recorder(args.record, keep_vin=args.full_vin) if args.record else None
    survey = Survey(source, schedule, decoder, clock, recorder)
    try:
        found = survey.run(links.name_of(args), args.seconds)
    finally:
        source.close()
        if recorder is not None:
            recorder.close()
    if not found.interrupted:  # else what was not asked for would look like what is not answered
        locked = found.rates.get("locked", found.rates.get("broadcast", {})).get("engine_rpm", 0.0)
        found.scopes = scopes(found.answered, locked, vehicle)
        slow = bool(args.serial) and sum(found.rates.get("pulling", {}).values()) < SLOW_PER_S
        found.to_set = to_set(vehicle, given=bool(args.vehicle), slow=slow, baud_found=not args.baud)
    found.counters = {**source.counters, **decoder.counters, **(schedule.counters if schedule else {})}
    writes: dict[str, Callable[[], None]] = {}
    if args.json:
        writes["--json"] = lambda: _write_json(found, args.json, args.full_vin)
    if args.json != "-":
        writes["the survey"] = lambda: say(*lines(found, full_vin=sys.stdout.isatty() or args.full_vin))
    outputs.write_all(writes)
    return 130 if found.interrupted else 0


def _write_json(found: Found, path: str, full_vin: bool) -> None:
    import json

    text = json.dumps(as_dict(found, full_vin=full_vin), indent=1) + "\n"
    if path == "-":
        sys.stdout.write(text)
        return
    write_whole(path, text)


class Survey:
    """Asks (or, without a schedule, only listens) and notes what comes."""

    def __init__(
        self,
        source: Reconnecting,
        schedule: Schedule | None,
        decoder: AnyDecoder,
        clock: Clock,
        recorder: Recorder | None = None,
    ) -> None:
        self._source, self._schedule, self._decoder = source, schedule, decoder
        self._clock = clock
        self._exchange = Exchange(source, schedule, decoder, clock, self._take, recorder)
        self._asked_s: float | None = None
        self._chore_s = clock.now_s()
        self._delays: dict[int, list[float]] = {}
        self._readings: Counter[str] = Counter()
        self._answered: set[str] = set()

    def run(self, name: str, seconds: float) -> Found:
        """All of it: discovery, then each of MEASURED for `seconds`. Raises LinkError when nobody answers.

        An interruption ends it with what was answered by then.
        """
        decoder, found = self._decoder, Found(name, answered=self._answered)
        try:
            if self._schedule is None:
                self._listen(found, seconds)
            else:
                self._ask(found, self._schedule, seconds)
        except KeyboardInterrupt:
            found.interrupted = True
        if isinstance(decoder, Decoder):
            found.units = {unit: median(delays) for unit, delays in self._delays.items()}
            found.unit_names, found.supported = decoder.unit_names, decoder.supported
            found.vin, found.codes, found.freeze_frame = decoder.vin, decoder.codes, decoder.freeze_frame
        return found

    def _listen(self, found: Found, seconds: float) -> None:
        self._work(DEADLINE_S, until=lambda: self._source.connected)
        found.rates["broadcast"] = self._measure(3.0 * seconds)
        if not found.rates["broadcast"]:
            raise self._nobody(found, "check --dbc and the vehicle file's [broadcast], or leave --j1939 out")

    def _ask(self, found: Found, schedule: Schedule, seconds: float) -> None:
        start_s = self._clock.now_s()
        self._work(DEADLINE_S, until=lambda: bool(schedule.units))
        if not schedule.units:
            raise self._nobody(
                found, "switch the ignition on; --j1939 or --dbc if the vehicle only broadcasts"
            )
        self._chore_s = self._clock.now_s()
        self._work(
            LONGEST_DISCOVERY_S - (self._clock.now_s() - start_s),
            until=lambda: self._clock.now_s() - self._chore_s > CHORES_OVER_S,
        )
        for column, regime in MEASURED.items():
            schedule.regime = regime
            found.rates[column] = self._measure(seconds)
        self._ask_names()

    def _nobody(self, found: Found, do: str) -> LinkError:
        """Why there is no answer: the link's own reason where there is no link."""
        return self._source.problem or LinkError("an answer from the vehicle", "none", found.link, do)

    def _measure(self, seconds: float) -> dict[str, float]:
        """Readings a second of each quantity, the most frequent first."""
        self._readings.clear()
        self._work(seconds)
        return {name: count / seconds for name, count in self._readings.most_common()} if seconds else {}

    def _ask_names(self) -> None:
        """The control units' own names, if they give any (service 09, 0A)."""
        units = self._schedule.units.values() if self._schedule else ()
        for extended in {unit.extended for unit in units}:
            ask = ask_frame(0.0, FUNCTIONAL[extended], extended, b"\x09\x0a", "can0")
            self._source.send(permit(ask))
            self._work(0.6, asking=False)

    def _work(self, seconds: float, until: Callable[[], bool] = lambda: False, asking: bool = True) -> None:
        end_s = self._clock.now_s() + seconds
        while self._clock.now_s() < end_s and not until():
            self._exchange.turn(asking)

    def _take(self, frame: Frame) -> None:
        for reading in self._decoder.feed(frame):
            self._readings[reading.quantity] += 1
            self._answered.add(reading.quantity)
        if len(frame.data) < 2:  # neither an ask nor an answer
            return
        kind = frame.data[0] >> 4
        if is_ask(frame.can_id, frame.extended):
            if kind == 0:
                self._asked_s = frame.time_s
                if frame.data[1] in CHORES:
                    self._chore_s = self._clock.now_s()
        elif self._asked_s is not None and kind in (0, 1):
            delays = self._delays.setdefault(frame.can_id, [])
            if len(delays) < 2000:
                delays.append(frame.time_s - self._asked_s)
