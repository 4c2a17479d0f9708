"""What a drive has shown so far, to everybody it concerns: nothing is judged here.

Windows go to the bank, the watches and the records of stretches, in time order; those that a closing clutch,
a shift or a converter nobody has seen yet may spoil wait until it is known what they are.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Final

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
from livemon.diagnose.stretches import Stretches
from livemon.diagnose.windows import Window, WindowMaker
from livemon.quantities import CLUTCH_COMES_ON_S, NEAR_COUPLING, NO_SENSOR_C
from livemon.records import Estimate, FindingName, Stretch
from livemon.vehicle import Vehicle, curves_of

_STANDING: Final = ("stationary_in_gear", "neutral")
_MOST_UNREAD: Final = 300


class Seen:
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
        self.first_shown_s: dict[FindingName, float] = {}  # when each finding was first warned of
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

    @property
    def launches(self) -> list[Stretch]:
        """One record for each launch finished so far."""
        return self.stretches.launches

    def take(self, e: Estimate) -> Window | None:
        """Take one Estimate; the window that it completes comes back."""
        self.shakes.feed(e)
        return self._pass_round(self._windows.feed(e))

    def last_window(self) -> Window | None:
        """No Estimate follows: the window that was under way."""
        return self._pass_round(self._windows.end())

    def settle(self) -> None:
        """The drive is over: nothing waits any longer."""
        for waiting in self._waiting:
            self._pass_on(waiting)
        self._waiting.clear()
        self.stretches.end()
        self.shakes.end()

    def _pass_round(self, w: Window | None) -> Window | None:
        """To everybody it concerns."""
        if w is None:
            return None
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
        if not (w.hands_over or (w.gears_found and w.found_rpm is None)):
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
        return w

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
