"""Shudder: slip that swings at about 4-20 Hz while the clutch is on, comes and goes, and stops at release.

Misfire shakes too, but follows an order of engine speed and does not stop when the clutch lets go.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log
from typing import Final

from livemon.diagnose.mixture import mixture
from livemon.records import Oscillation

LOW_HZ: Final = 4.0
HIGH_HZ: Final = 22.0
_CYCLES: Final = 4.0  # fewer are hard to tell from a bend in the speed
_FALSE_ALARM: Final = 2e-3  # an upper bound
FELT_RPM: Final = 4.0  # below this nobody feels it. Common practice, no source.
# A sound driveline swings too, for a second after tip-in, a shift or the clutch coming on: by several rpm at
# up to 5 Hz (a real sound car), faster in a stiff one. What does so is known half a second later.
_SURGE_HZ, _SURGE_LEAST_RPM = 5.5, 12.0
_SURGE_MOST_HZ, _LATER_HZ = 10.0, 7.0
_SURGE_S: Final = 0.7
_APART_S: Final = 2.0  # swings this far apart are two episodes
_BELOW_LIMIT: Final = 0.98  # at the very limit of sampling anything faster looks like a swing
_SAME: Final = 0.2  # frequencies this close, as a share, are one swing
_MUST_SEE_HZ: Final = 8.0  # below this limit the sampling misses most shudder
# Weight of an episode by how often the spectrum showed it (looks share samples), of at most three episodes.
_EPISODE: Final = {1: 0.0, 2: log(8.0), 3: log(20.0), 4: log(40.0), 5: log(60.0)}
_RETURNS: Final = log(10.0)  # it comes back at the same frequency
# Looks at random would not agree in frequency: of four and more that do, each past the second weighs this.
_RETURNING: Final = 4
_SHORT: Final = log(2.0)
_STOPPED: Final = log(3.0)  # it stopped as the clutch let go
_ENGINE_ORDER: Final = log(0.02)
_UNLOCKED_TOO: Final = log(0.1)
_OVER_ENGINE: Final = log(4.0)  # a misfire seen too slowly may look like a swing of its own
_SLIPS_TOO, _SHAKES_TOO = 0.4, 0.2
_SHOWS_WITHIN_S: Final = 90.0  # shudder comes and goes; this long locked usually brings it


@dataclass(slots=True)
class Episode:
    """One stretch of swinging."""

    first_s: float
    last_s: float
    amplitude_rpm: float
    frequency_hz: float
    false_alarm_probability: float
    looks: int = 1
    stopped_at_release: bool = False
    order: float | None = None  # of engine speed, as it was last followed
    order_looks: int = 0

    @property
    def engine_order(self) -> float | None:
        """The order of engine speed that half of the looks at least follow: a swing that dies away, or two at
        once, hide it now and then."""
        return self.order if 2 * self.order_looks >= self.looks else None


def with_slip(shakes: float, slip: float) -> tuple[float, float]:
    """ln evidence of shudder and of slip, each allowed some of the other.

    A clutch that shudders slips above target as often as not: that slip is then no evidence against it. One
    that slips shakes at times.
    """
    return shakes + mixture(_SLIPS_TOO, slip), slip + mixture(_SHAKES_TOO, shakes)


class ShudderWatch:
    """Feed oscillations, and tell it of time spent with the clutch on."""

    def __init__(self) -> None:
        self.episodes: list[Episode] = []
        self.count = 0
        self.seen_s = 0.0  # clutch on, and the sampling could have shown shudder
        self.blind_s = 0.0  # clutch on, but it could not
        self.highest_visible_hz = 0.0
        self.unlocked_swings = 0
        self._current: Episode | None = None
        self._visible_hz: float | None = None
        self._later: Oscillation | None = None

    def feed(self, o: Oscillation, disturbed_s: float = -inf) -> Episode | None:
        """Take one look at the spectrum; the episode going on, if there is one.

        disturbed_s: last shift, clutch or pedal step known, at least as of the look before.
        """
        later, self._later = self._later, None
        episode = None if later is None else self._take(later, disturbed_s)
        if LOW_HZ <= o.frequency_hz < _LATER_HZ:
            self._later = o
            return episode
        return self._take(o, disturbed_s) or episode

    def _take(self, o: Oscillation, disturbed_s: float) -> Episode | None:
        self._visible_hz = o.highest_visible_hz
        self.highest_visible_hz = max(self.highest_visible_hz, o.highest_visible_hz)
        swing = (
            o.false_alarm_probability < _FALSE_ALARM
            and o.amplitude_rpm > (_SURGE_LEAST_RPM if o.frequency_hz < _SURGE_HZ else FELT_RPM)
            and o.cycles >= _CYCLES
            and LOW_HZ <= o.frequency_hz <= min(HIGH_HZ, _BELOW_LIMIT * o.highest_visible_hz)
        )
        if swing and o.frequency_hz < _SURGE_MOST_HZ:
            swing = o.time_s - o.cycles / o.frequency_hz > disturbed_s + _SURGE_S
        if swing and not o.locked:
            self.unlocked_swings += 1
        now = self._current
        if now is not None and swing and abs(o.frequency_hz / now.frequency_hz - 1.0) > _SAME:
            now = self._current = None
        if not swing or not o.locked:
            if now is not None and o.time_s - now.last_s > _APART_S:
                self._current = None
            return None
        if now is None or o.time_s - now.last_s > _APART_S:
            now = Episode(o.time_s, o.time_s, o.amplitude_rpm, o.frequency_hz, o.false_alarm_probability)
            self._current = now
            self.count += 1
            if len(self.episodes) < 50:
                self.episodes.append(now)
            else:
                self.episodes[-1] = now
        else:
            now.last_s = o.time_s
            now.looks += 1
            if o.amplitude_rpm > now.amplitude_rpm:
                now.amplitude_rpm, now.frequency_hz = o.amplitude_rpm, o.frequency_hz
            now.false_alarm_probability = min(now.false_alarm_probability, o.false_alarm_probability)
        if o.follows_engine_order is not None:
            now.order = o.follows_engine_order
            now.order_looks += 1
        return now

    def locked_time(self, duration_s: float, samples: int) -> None:
        """The clutch was on for `duration_s`, with `samples` engine speeds seen in it."""
        visible = self._visible_hz or 0.5 * samples / max(duration_s, 0.1)
        self.highest_visible_hz = max(self.highest_visible_hz, visible)
        if visible >= _MUST_SEE_HZ:
            self.seen_s += duration_s
        else:
            self.blind_s += duration_s

    def released(self, time_s: float) -> None:
        """The clutch let go."""
        if self._current is not None and time_s - self._current.last_s < 1.0:
            self._current.stopped_at_release = True
        self._current = None

    @property
    def can_be_seen(self) -> bool:
        return self.seen_s > 0.25 * self.blind_s

    @property
    def firm(self) -> list[Episode]:
        """Episodes that stand: seen more than once running, or coming back again at one frequency."""
        long = [e for e in self.episodes if e.looks >= 2]
        short = [e for e in self.episodes if e.looks < 2]
        if not short:
            return long
        middle = sorted(e.frequency_hz for e in self.episodes)[len(self.episodes) // 2]
        alike = [e for e in short if abs(e.frequency_hz / middle - 1.0) < _SAME]
        return [e for e in self.episodes if e.looks >= 2 or e in alike] if len(alike) >= _RETURNING else long

    @property
    def over_sound_and_engine(self) -> tuple[float, float]:
        """ln evidence of swings of the clutch over a sound vehicle, and over a misfiring one."""
        if not self.firm:
            return 0.0, 0.0
        value = self.log_evidence
        return max(value, 0.0), min(value, _OVER_ENGINE)

    @property
    def log_evidence(self) -> float:
        """ln evidence of shudder relative to a smooth clutch."""
        firm = self.firm
        if not firm:
            return log(0.04 + 0.96 * exp(-self.seen_s / _SHOWS_WITHIN_S))
        total = sum(sorted((_EPISODE[min(e.looks, 5)] for e in firm), reverse=True)[:3])
        total += (
            min(sum(e.looks < 2 for e in firm) - 2, 4) * _SHORT if any(e.looks < 2 for e in firm) else 0.0
        )
        middle = sorted(e.frequency_hz for e in firm)[len(firm) // 2]
        if sum(abs(e.frequency_hz / middle - 1.0) < _SAME for e in firm) >= 2:
            total += _RETURNS
        if any(e.stopped_at_release for e in firm):
            total += _STOPPED
        if sum(e.engine_order is not None for e in firm) > 0.5 * len(firm):
            total += _ENGINE_ORDER * min(len(firm), 4)
        looks = sum(e.looks for e in firm)
        if self.unlocked_swings > 0.5 * looks:
            total += _UNLOCKED_TOO
        # What swings as often with the clutch open is not the clutch.
        return min(total, 0.0) if self.unlocked_swings > looks else total
