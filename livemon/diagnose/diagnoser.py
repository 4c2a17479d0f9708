"""Ties the evidence together: Estimates and Oscillations in; warnings, findings and the call out."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from math import inf
from typing import Final

from livemon.diagnose import decide, limits, report_evidence, weighed
from livemon.diagnose.alarms import Alarms
from livemon.diagnose.bank import OPEN, Bank
from livemon.diagnose.climb import Climb
from livemon.diagnose.codes import Codes
from livemon.diagnose.file_fit import FileFit
from livemon.diagnose.full_pedal import FullPedal
from livemon.diagnose.hypotheses import hypotheses
from livemon.diagnose.lockup import MOST_GEARS, LockupWatch
from livemon.diagnose.lockup_schedule import WARM_C
from livemon.diagnose.nuisance import prior
from livemon.diagnose.presence import Presence
from livemon.diagnose.shakes import ShakeWatch
from livemon.diagnose.shudder import ShudderWatch
from livemon.diagnose.standing import posterior
from livemon.diagnose.stretches import Stretches
from livemon.diagnose.windows import Window, WindowMaker
from livemon.quantities import CLUTCH_COMES_ON_S, NEAR_COUPLING, NO_SENSOR_C
from livemon.records import Call, Estimate, Finding, FindingName, Oscillation, Stretch, Warning
from livemon.vehicle import Vehicle, curves_of

_SLIP_WARNING_S: Final = 1.6  # slip seen this long while the clutch is on, after it has had time to engage
_STANDING: Final = ("stationary_in_gear", "neutral")
_SURE_SWING: Final = 1e-5
_SHUDDER_FROM: Final = 0.07  # a swing seen twice is worth a word while it lasts; the call waits for more
_MOST_UNREAD: Final = 300
_JUDGE_EVERY_S: Final = 3.0  # outside launches the posterior moves slowly


class Diagnoser:
    """Feed it in time order. `vehicle`: the vehicle file's numbers, or Vehicle() when there is none."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self.curves = curves_of(vehicle)
        known = prior(vehicle, self.curves)
        self.torque_nm = known.torque_nm
        self.bank = Bank(vehicle, self.curves, known, hypotheses())
        self.stretches = Stretches(vehicle, self.curves, known)
        self.lockup_watch = LockupWatch(
            vehicle, self.curves, known.torque_nm, len(vehicle.gear_ratios) or MOST_GEARS
        )
        self.shudder = ShudderWatch()
        self.shakes = ShakeWatch()
        self.full_pedal = FullPedal(vehicle)
        self.file_fit = FileFit(vehicle)
        self.codes = Codes()
        self.presence = Presence(vehicle, self.curves, known.torque_nm)
        self.alarms = Alarms()
        self.first_shown_s: dict[FindingName, float] = {}
        self.time_s = 0.0
        self.torque_source = ""
        self.reference_nm: float | None = None
        self.ratio_seen = False
        self.ratios_found = False
        self._windows = WindowMaker()
        self._climb = Climb()
        self._waiting: deque[Window] = deque()
        # Open windows from before the drive has shown a converter; the oldest go first.
        self._unread: deque[tuple[Window, bool]] = deque(maxlen=_MOST_UNREAD)
        self._was_locked = False
        self._given: Window | None = None
        self._judged_s = -inf
        self._judged_looks = 0

    # -- taking in -----------------------------------------------------------------------------------

    def feed(self, item: Estimate | Oscillation) -> Sequence[Warning]:
        """Take one Estimate or Oscillation; what changed in the warnings comes back."""
        if isinstance(item, Oscillation):
            return self._feed_oscillation(item)
        self.shakes.feed(item)
        window = self._windows.feed(item)
        return () if window is None else self._feed_window(window)

    def note_codes(self, codes: Mapping[str, Mapping[str, str]]) -> None:
        """Take trouble codes: kind (stored, pending, permanent) -> code -> standard name."""
        self.codes.note(codes)

    def note_barometer(self, kpa: float) -> None:
        """Take barometric pressure [kPa]: what full pedal gives at this altitude, and how the road climbs."""
        self.full_pedal.barometer(kpa)
        slope = self._climb.barometer(kpa)
        if slope is not None:
            self.bank.climbed(slope)

    def note_coolant(self, celsius: float) -> None:
        """Take coolant temperature: until the engine is warm nobody calls for the converter clutch."""
        self.lockup_watch.sums.cold = NO_SENSOR_C < celsius < WARM_C

    def note_reference_torque(self, nm: float) -> None:
        """Take the torque that the engine's percentages refer to [N m]: about its peak, or somewhat more."""
        self.reference_nm = nm

    def end(self) -> Sequence[Warning]:
        """The drive is over: close what is open."""
        window = self._windows.end()
        changes = list(self._feed_window(window)) if window is not None else []
        for waiting in self._waiting:
            self._pass_on(waiting)
        self._waiting.clear()
        self.stretches.end()
        self.shakes.end()
        return changes + self._judge(self.time_s)

    def _feed_oscillation(self, o: Oscillation) -> Sequence[Warning]:
        episode = self.shudder.feed(o, self.shakes.disturbed_s)
        if episode is None or "lockup_shudder" in self.alarms.standing:
            return ()
        if episode.looks < 2 or (episode.looks < 3 and episode.false_alarm_probability > _SURE_SWING):
            return ()
        if episode.engine_order is not None or not self.presence.seen:
            return ()
        probability = self.standing()["lockup_shudder"]
        if probability < _SHUDDER_FROM:
            return ()
        self.first_shown_s.setdefault("lockup_shudder", episode.first_s)
        detail = f" ({episode.frequency_hz:.1f} Hz, {episode.amplitude_rpm:.0f} rpm)"
        return [self.alarms.raise_now(o.time_s, "lockup_shudder", probability, detail)]

    def _feed_window(self, w: Window) -> Sequence[Warning]:
        self.time_s = w.end_s
        if w.torque_source:
            self.torque_source = w.torque_source
        if w.speed_ratio is not None:
            self.ratio_seen = True
        self.full_pedal.feed(w)
        self.file_fit.feed(w)
        self._climb.feed(w)
        if w.gears_found:
            self.ratios_found = True  # from this drive: what slipped all along is part of them
        elif not w.hands_over:
            self.lockup_watch.feed(w)
        shared = bool(self.lockup_watch.bit.says) and w.regime in ("launch", "pull")
        if w.turbine_source != "guessed" or w.regime in _STANDING:
            if not w.hands_over:
                self._settle_pulls(w, shared)
            self.presence.feed(w)
        locked = w.regime == "locked"
        if locked:
            self.shudder.locked_time(w.end_s - w.start_s, w.samples)
        elif self._was_locked:
            self.shudder.released(w.start_s)
        self._was_locked = locked
        since_s = self.lockup_watch.sums.slipping_since_s
        urgent = w.regime == "launch" or (since_s is not None and w.end_s - since_s > _SLIP_WARNING_S)
        news = self.bank.looks != self._judged_looks or since_s is not None
        if (urgent and news) or abs(w.end_s - self._judged_s) > _JUDGE_EVERY_S:
            return self._judge(w.end_s)
        return ()

    def _settle_pulls(self, w: Window, shared: bool) -> None:
        """Pass on the windows; those near coupling wait until it is known what the clutch did.

        While the clutch comes on it carries torque that nobody can tell from a change of the curve; `shared`:
        it does so in this window, by what its control says.
        """
        waiting = self._waiting
        if w.regime == "locked" or shared:
            while waiting and waiting[-1].end_s > w.start_s - CLUTCH_COMES_ON_S:
                waiting.pop()
        while waiting and (w.regime != "pull" or waiting[0].end_s < w.end_s - CLUTCH_COMES_ON_S):
            self._pass_on(waiting.popleft())
        if shared:
            return
        if w.regime == "pull" and (waiting or (w.speed_ratio or 0.0) > NEAR_COUPLING):
            waiting.append(w)  # those behind one that waits too: they are passed on in time order
        else:
            self._pass_on(w)

    def _pass_on(self, w: Window) -> None:
        self.stretches.feed(w)
        self._give(w)

    def _give(self, w: Window) -> None:
        """To the bank, but for every other window of a locked stretch in which nothing changes."""
        before, self._given = self._given, None
        if before is not None and w.regime == before.regime == "locked" and self._alike(w, before):
            return
        self._given = w
        released, reads_k = self.full_pedal.released(w.pedal_pct), self.presence.reads_k
        unread = self._unread
        if not reads_k and w.regime in OPEN:
            unread.append((w, released))
            return
        while reads_k and unread:  # a converter was seen: what came before says something too
            self.bank.feed(*unread.popleft(), True)
        self.bank.feed(w, released, reads_k)

    def _alike(self, w: Window, before: Window) -> bool:
        return (
            w.gear == before.gear
            and w.start_s - before.end_s < 0.5
            and abs((w.pump_torque_nm or 0.0) - (before.pump_torque_nm or 0.0)) < 0.04 * self.torque_nm
            and abs(w.road_accel_m_s2 - before.road_accel_m_s2) < 0.1
        )

    def _judge(self, time_s: float) -> list[Warning]:
        self._judged_s, self._judged_looks = time_s, self.bank.looks
        probabilities = self.standing()
        changes = self.alarms.judge(time_s, probabilities)
        for change in changes:
            if change.raised:
                self.first_shown_s.setdefault(change.finding, time_s)
        return changes

    # -- reading out ---------------------------------------------------------------------------------

    def evidence(self) -> dict[FindingName, float]:
        """ln likelihood ratio of each finding against none, all evidence together."""
        return weighed.evidence(self)

    def standing(self) -> dict[FindingName, float]:
        """Probability of every finding but not_enough_evidence, as of now; sums to 1."""
        return posterior(
            self.evidence(), converter_seen=self.presence.seen, clutch_car=self.presence.clutch_car
        )

    @property
    def launches(self) -> list[Stretch]:
        """One record for each launch finished so far."""
        return self.stretches.launches

    @property
    def cannot_judge(self) -> list[str]:
        """What this drive or this vehicle file leaves out of reach, and why, as sentences."""
        return limits.cannot_judge(self)

    def lockup(self) -> dict[str, float | int | str | None]:
        """What was seen of the converter clutch; units in the names."""
        return report_evidence.lockup(self)

    def findings(self) -> list[Finding]:
        """Every fault that the drive shows, likeliest first; two faults at once are two entries."""
        return decide.findings(self)

    def call(self) -> Call:
        """The one call that ends the drive."""
        return decide.call(self)
