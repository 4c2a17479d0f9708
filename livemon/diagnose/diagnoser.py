"""From what a drive has shown to warnings while it goes on, and to findings and the call when it ends."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import Final

from livemon.diagnose import decide, limits, report_evidence, still_to_drive, weigh
from livemon.diagnose.alarms import Alarms
from livemon.diagnose.seen import Seen
from livemon.diagnose.windows import Window
from livemon.records import Call, Estimate, Finding, FindingName, Oscillation, Warning
from livemon.vehicle import Vehicle

_SLIP_WARNING_S: Final = 1.6  # slip seen this long while the clutch is on, after it has had time to engage
_SURE_SWING: Final = 2e-5
_SHUDDER_FROM: Final = 0.07  # a swing seen twice is worth a word while it lasts; the call waits for more
_JUDGE_EVERY_S: Final = 3.0  # outside launches the posterior moves slowly


class Diagnoser(Seen):
    """Feed it in time order. `vehicle`: the vehicle file's numbers, or Vehicle() when there is none."""

    def __init__(self, vehicle: Vehicle) -> None:
        super().__init__(vehicle)
        self.alarms = Alarms()
        self._judged_s = -inf
        self._judged_looks = 0

    # -- taking in -----------------------------------------------------------------------------------

    def feed(self, item: Estimate | Oscillation) -> Sequence[Warning]:
        """Take one Estimate or Oscillation; what changed in the warnings comes back."""
        if isinstance(item, Oscillation):
            return self._feed_oscillation(item)
        window = self.take(item)
        return () if window is None else self._judge_when_due(window)

    def end(self) -> Sequence[Warning]:
        """The drive is over: close what is open."""
        window = self.last_window()
        changes = list(self._judge_when_due(window)) if window is not None else []
        self.settle()
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

    def _judge_when_due(self, w: Window) -> Sequence[Warning]:
        since_s = self.lockup_watch.sums.slipping_since_s
        urgent = w.regime == "launch" or (since_s is not None and w.end_s - since_s > _SLIP_WARNING_S)
        news = self.bank.looks != self._judged_looks or since_s is not None
        if (urgent and news) or abs(w.end_s - self._judged_s) > _JUDGE_EVERY_S:
            return self._judge(w.end_s)
        return ()

    def _judge(self, time_s: float) -> list[Warning]:
        self._judged_s, self._judged_looks = time_s, self.bank.looks
        probabilities = self.standing()
        changes = self.alarms.judge(time_s, probabilities, self.file_fit.off is None)
        for change in changes:
            if change.raised:
                self.first_shown_s.setdefault(change.finding, time_s)
        return changes

    # -- reading out ---------------------------------------------------------------------------------

    def evidence(self) -> dict[FindingName, float]:
        """ln likelihood ratio of each finding against none, all evidence together."""
        return weigh.evidence(self)

    def standing(self) -> dict[FindingName, float]:
        """Probability of every finding but not_enough_evidence, as of now; sums to 1."""
        return weigh.standing(self)

    @property
    def cannot_judge(self) -> list[str]:
        """What this drive or this vehicle file leaves out of reach, and why, as sentences."""
        return limits.cannot_judge(self)

    @property
    def still_to_drive(self) -> list[str]:
        """The manoeuvres that would show what this drive has not tested, in a few words each."""
        return still_to_drive.still_to_drive(self, self.alarms.standing)

    def lockup(self) -> dict[str, float | int | str | None]:
        """What was seen of the converter clutch; units in the names."""
        return report_evidence.lockup(self)

    def findings(self) -> list[Finding]:
        """Every fault that the drive shows, likeliest first; two faults at once are two entries."""
        return decide.findings(self)

    def call(self) -> Call:
        """The one call that ends the drive."""
        return decide.call(self)
