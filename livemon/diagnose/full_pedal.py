"""Full pedal: does the engine report the torque it is rated at? Altitude makes a sound engine report less."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import erf, exp, hypot, inf, log, pi, sqrt
from typing import Final

from livemon.diagnose.windows import Window
from livemon.quantities import BAROMETER_KPA, OF_RATING, SEA_LEVEL_KPA
from livemon.vehicle import Vehicle, engine_torque_limit

# A relative pedal reading runs from 0 to about 100; an absolute one is a sensor's voltage and runs from about
# 10-20 to 70-90. Which of the two it is shows at rest; how far it goes, once it went there. Common practice.
_RELATIVE_SPAN_PCT: Final = 96.0
_ABSOLUTE_SPAN_PCT: Final = 63.0
_FURTHER_PCT: Final = 2.5  # further down than was thought possible: all before was less than it seemed
_REST_ABSOLUTE_PCT: Final = 8.0
_REST_NOISE_PCT: Final = 2.0
# How much of its rating a sound engine gives from a share of pedal travel on, and how far pedal maps differ
# there: (share of travel, share of rating, standard deviation). Common practice, no source.
_STEPS: Final = ((0.92, 0.97, 0.07), (0.78, 0.92, 0.12), (0.64, 0.82, 0.17))
_LEAST_S: Final = 3.0  # pedal and torque are read at different moments
_SPOOLS_S: Final = 1.5  # a turbocharger needs its time after the pedal went down. Common practice, no source
# An engine without boost makes its rating at high speed and lacks it in the middle: speeds are kept apart,
# each counts by its best, and once it was held long enough to have reached that.
_BAND_RPM, _BAND_S = 600.0, 2.0
_SETTLED_RPM_S: Final = 4000.0
_LEAST_RPM: Final = 1300.0
_ALTITUDE_SD: Final = 0.05  # nobody told the altitude: 500 m is 6 % of a naturally aspirated engine
_RATED_ALIKE: Final = 0.02  # ratings are known alike within so much of themselves
# One sound engine in a hundred is held down all drive: a torque limit, a pedal that is not what it seems.
_HELD_DOWN: Final = 0.01
_ALIKE: Final = 0.5  # of their errors steps share: the rating, the pedal map
_FAULT_LOW, _FAULT_HIGH = 0.25, 0.85
_FULL_SD: Final = 0.15  # of what a sound engine gives: known no better, it measures no signal
_REPORTS_ALL: Final = 0.9  # of what a sound engine gives: less, and the engine itself may lack it


@dataclass(slots=True)
class Step:
    """The best the engine gave from one share of pedal travel to the next, near one speed.

    Or on average over all speeds: torque and speed are then those of the longest.
    """

    seconds_s: float = 0.0
    share: float = 0.0
    rpm: float = 0.0
    torque_nm: float = 0.0
    rated_sd: float = inf
    first_s: float = 0.0
    last_s: float = 0.0


class FullPedal:
    """Feed windows; keeps the best torque the engine gave at full pedal, as a share of its rating."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._vehicle = vehicle
        self._baro_kpa: float | None = None
        self._since_s: list[float | None] = [None] * len(_STEPS)
        self._bands: list[dict[int, Step]] = [{} for _ in _STEPS]
        self.rest_pct: float | None = None
        self._most_pct = 0.0

    def travel(self, pedal_pct: float) -> float:
        """Share of pedal travel."""
        return (pedal_pct - (self.rest_pct or 0.0)) / self._span_pct

    @property
    def _span_pct(self) -> float:
        rest = self.rest_pct or 0.0
        if rest <= _REST_ABSOLUTE_PCT:
            return _RELATIVE_SPAN_PCT
        return max(_ABSOLUTE_SPAN_PCT, self._most_pct - rest)

    def released(self, pedal_pct: float | None) -> bool:
        """Whether the foot is off, as far as the pedal reading tells."""
        return (
            pedal_pct is not None
            and self.rest_pct is not None
            and pedal_pct < self.rest_pct + _REST_NOISE_PCT
        )

    def barometer(self, kpa: float) -> None:
        """Barometric pressure as the vehicle reports it [kPa]."""
        if BAROMETER_KPA[0] < kpa < BAROMETER_KPA[1]:
            self._baro_kpa = kpa

    def feed(self, w: Window) -> None:
        """Take one window."""
        if w.pedal_pct is None:
            self._since_s = [None] * len(_STEPS)
            return
        self.rest_pct = w.pedal_pct if self.rest_pct is None else min(self.rest_pct, w.pedal_pct)
        thought, self._most_pct = self._span_pct, max(self._most_pct, w.pedal_pct)
        if self._span_pct > thought + _FURTHER_PCT:
            self._bands = [{} for _ in _STEPS]
        travel = self.travel(w.pedal_pct)
        seen = self._seen(w) if travel >= _STEPS[-1][0] else None
        for i, (least, _, _) in enumerate(_STEPS):
            since_s = self._since_s[i]
            if travel < least:
                self._since_s[i] = None
            elif since_s is None:
                self._since_s[i] = w.end_s  # the window in which the pedal went down does not count
            elif seen is not None and w.start_s >= since_s + _SPOOLS_S:
                _add(self._bands[i], int(w.engine_rpm / _BAND_RPM), seen)
                seen = None  # it counts once, for the step that expects most

    def _seen(self, w: Window) -> Step | None:
        """What one window shows, whatever the pedal; None where torque or rating is not known for it."""
        rated, torque_nm = engine_torque_limit(self._vehicle, w.engine_rpm), w.engine_torque_nm
        settled = abs(w.engine_accel_rpm_s) < _SETTLED_RPM_S and w.regime not in ("shift", "unknown")
        if rated is None or torque_nm is None or not settled:
            return None
        if w.engine_rpm < _LEAST_RPM or w.torque_source in OF_RATING:
            return None
        return Step(
            w.end_s - w.start_s, torque_nm / rated.value, w.engine_rpm, torque_nm, rated.sd / rated.value,
            w.start_s, w.end_s,
        )  # fmt: skip

    @property
    def best(self) -> tuple[Step, float, float] | None:
        """(the step that tells most of those held long enough, share a sound engine gives there, its sd)."""
        return min(self._told(), key=lambda each: each[2], default=None)

    def _told(self) -> list[tuple[Step, float, float]]:
        """As `best`, of every step held long enough, what was shorter counting for the next."""
        told: list[tuple[Step, float, float]] = []
        shorter: dict[int, Step] = {}
        for bands, (_, share, spread) in zip(self._bands, _STEPS, strict=True):
            for band, step in bands.items():
                _add(shorter, band, step)
            held = _together(shorter.values())
            if held.seconds_s >= _LEAST_S:
                told.append((held, *self._sound(share, hypot(spread, held.rated_sd))))
                shorter = {}
        return told

    def _sound(self, share: float, sd: float) -> tuple[float, float]:
        """Share of its rating a sound engine gives at this altitude, and its sd."""
        if self._baro_kpa is None:
            return share, hypot(sd, _ALTITUDE_SD)
        # A turbocharger makes up for some of it: half, give or take half.
        loss = max(0.0, 1.0 - self._baro_kpa / SEA_LEVEL_KPA)
        return share * (1.0 - 0.5 * loss), hypot(sd, 0.5 * loss)

    @property
    def gain(self) -> tuple[float, float] | None:
        """ln of what the torque signal is to be multiplied by, and its sd, where it reports a sound engine's
        torque.

        An engine that makes less than it reports does report its rating: signals that are off show here.
        """
        best = self.best
        if best is None or best[0].share < _REPORTS_ALL * best[1] or best[2] > _FULL_SD * best[1]:
            return None
        step, share, sd = best
        return log(share / step.share), sd / share

    def sound_by_rating(self, made: float) -> bool:
        """Whether an engine that makes this share of the torque seen makes its rating all the same.

        Only where less than full pedal is all there is to tell.
        """
        best = self.best
        return best is not None and self.gain is None and made * best[0].share > _FAULT_HIGH * best[1]

    @property
    def log_evidence(self) -> float:
        """ln evidence of an engine that reports what it lacks, relative to a sound one."""
        told = self._told()
        if not told:
            return 0.0
        # What it gives of what a sound engine gives: all steps together, as far as each errs by itself.
        weights = [(mean / sd) ** 2 for _, mean, sd in told]
        total = sum(weights)
        made = sum(w * step.share / mean for w, (step, mean, _) in zip(weights, told, strict=True)) / total
        sd = sqrt((1.0 + _ALIKE * (len(told) - 1)) / total)
        z = max((1.0 - made) / sd, 0.0)  # more than expected is never a fault
        peak = 1.0 / (sd * sqrt(2.0 * pi))
        sound = (1.0 - _HELD_DOWN) * peak * exp(-0.5 * min(z * z, 1400.0)) + _HELD_DOWN
        # A weak engine gives its share of what a sound one would give here, anywhere between the two limits.
        inside = _phi((made - _FAULT_LOW) / sd) - _phi((made - _FAULT_HIGH) / sd)
        return log((max(inside, 1e-3) / (_FAULT_HIGH - _FAULT_LOW)) / sound)


def _together(bands: Iterable[Step]) -> Step:
    """All speeds the rating is known best at, as long as each was held."""
    given = [band for band in bands if band.share > 0.0]
    nearest = min((band.rated_sd for band in given), default=0.0) + _RATED_ALIKE
    near = [band for band in given if band.rated_sd < nearest]
    held = [band for band in near if band.seconds_s >= _BAND_S] or near
    seconds_s = sum(band.seconds_s for band in held)
    if seconds_s <= 0.0:
        return Step()
    longest = max(held, key=lambda band: band.seconds_s)
    return Step(
        sum(band.seconds_s for band in given),
        sum(band.share * band.seconds_s for band in held) / seconds_s,
        longest.rpm,
        longest.torque_nm,
        sum(band.rated_sd * band.seconds_s for band in held) / seconds_s,
        min(band.first_s for band in given),
        max(band.last_s for band in given),
    )


def _add(bands: dict[int, Step], band: int, step: Step) -> None:
    """Near one speed the best counts, and the time of all."""
    if (before := bands.get(band)) is not None:
        step = replace(
            max(before, step, key=lambda each: each.share),
            seconds_s=before.seconds_s + step.seconds_s,
            first_s=min(before.first_s, step.first_s),
            last_s=max(before.last_s, step.last_s),
        )
    bands[band] = step


def _phi(x: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * (1.0 + erf(x / sqrt(2.0)))
