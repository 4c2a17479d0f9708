"""Estimates -> windows: half a second or more of one regime in one gear, averaged. Plain scalars only.

Estimates 50 ms apart share nearly all their errors; a window is what counts as one look.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final

from livemon.records import Estimate, Regime

# A launch is over in seconds and moves through the whole curve; steady regimes have little new to say.
_LENGTH_S: Final[dict[str, float]] = {"launch": 0.5, "pull": 1.0, "locked": 1.6}
_STEADY_LENGTH_S: Final = 2.5
GAP_S: Final = 2.5  # a hole in the recording ends the window
_STUB_S: Final = 0.2  # the end of a stretch, cut off by a change of regime that began before it was seen
# A shift up begins with torque handed over, before its speeds move. Common practice, no source.
_HANDS_OVER_S: Final = 0.3
# Torque, engine and road speed are read at different moments and smoothed differently: from window to window
# they are apart by so much more or less (what they are always apart by is a nuisance of its own).
_APART_S: Final = 0.05
_APART_SHARE: Final = 0.45  # and by this share of the time between two readings of engine speed
_WITHIN: Final = 0.35  # share of the scatter within a window that counts as error, if that is more


@dataclass(slots=True)
class Window:
    """Averages over one window; None where the vehicle did not tell. Units as in Estimate."""

    start_s: float
    end_s: float
    regime: Regime
    gear: int | None
    samples: int
    into_stretch_s: float  # of one regime in one gear, from its start to the end of this window
    engine_rpm: float
    engine_accel_rpm_s: float
    locked_probability: float
    gear_probability: float
    turbine_rpm: float | None
    turbine_source: str
    geared_rpm: float | None  # turbine speed by road speed and file ratio alone
    geared_sd_rpm: float
    found_rpm: float | None  # likewise, by a ratio found in this drive
    speed_ratio: float | None
    speed_ratio_sd: float
    slip_rpm: float | None
    slip_sd_rpm: float
    engine_torque_nm: float | None
    pump_torque_nm: float | None
    pump_torque_sd_nm: float  # of one sample
    pump_torque_unsure_nm: float  # from its change while torque and road are read at different moments
    torque_source: str
    road_speed_m_s: float | None
    road_accel_m_s2: float
    road_accel_sd_m_s2: float
    road_accel_unsure_m_s2: float  # likewise
    road_jerk_m_s3: float
    turbine_rad_per_m: float | None
    pedal_pct: float | None
    brake: bool | None
    clutch_applied: bool | None  # what the vehicle says of its converter clutch
    hands_over: bool  # the short end of a stretch before a shift, which may have begun

    @property
    def turbine_told(self) -> bool:
        """Whether turbine speed is the vehicle's own: neither tyre nor a gear that slips is in its slip."""
        return self.turbine_source == "broadcast"

    @property
    def low(self) -> bool:
        """Whether it may be first gear: without ratios in the file numbers of gears may be one off."""
        return self.gear == 1 or (self.gear == 2 and self.geared_rpm is None)

    @property
    def by_ratio_rpm(self) -> float | None:
        """Turbine speed by road speed and a ratio, the file's or one found in this drive."""
        return self.found_rpm if self.geared_rpm is None else self.geared_rpm

    @property
    def gears_found(self) -> bool:
        """Whether the gears were found in this drive, all or some of them: the file has no ratios."""
        return self.turbine_source in ("found", "guessed")

    @property
    def middle_s(self) -> float:
        return 0.5 * (self.start_s + self.end_s)


class WindowMaker:
    """`feed` one Estimate; a Window comes back when one is complete. `end` gives the last one."""

    __slots__ = (
        "_accel",
        "_accel_square",
        "_engine_accel",
        "_first",
        "_geared",
        "_geared_n",
        "_key",
        "_last",
        "_limit_s",
        "_locked",
        "_n",
        "_previous",
        "_pump",
        "_pump_n",
        "_pump_square",
        "_pump_variance",
        "_ratio",
        "_ratio_n",
        "_rpm",
        "_speed",
        "_speed_n",
        "_start_s",
        "_stretch_start_s",
        "_torque",
    )

    def __init__(self) -> None:
        self._last: Estimate | None = None
        self._previous: Estimate | None = None  # the last of the window before, or the first of a stretch
        self._key: tuple[str, int | None, bool | None] | None = None
        self._first = True
        self._stretch_start_s = 0.0
        self._clear(0.0, 0.5)

    def _clear(self, start_s: float, limit_s: float) -> None:
        self._start_s, self._limit_s = start_s, limit_s
        self._n = self._ratio_n = self._pump_n = self._speed_n = self._geared_n = 0
        self._geared = 0.0
        self._rpm = self._engine_accel = self._ratio = self._pump = self._torque = self._pump_square = 0.0
        self._pump_variance = 0.0
        self._speed = self._accel = self._accel_square = self._locked = 0.0

    def feed(self, e: Estimate) -> Window | None:
        """Take one Estimate, in time order. The hot path: a score of additions."""
        done = None
        last = self._last
        time_s = e.time_s
        key = (e.regime, e.gear, e.clutch_applied)
        # A clock set back ends the window as a hole does.
        if last is None or key != self._key or not 0.0 <= time_s - last.time_s <= GAP_S:
            done = self._close(last is not None and (e.regime == "shift" or e.gear != last.gear))
            self._first = True
            self._stretch_start_s = time_s
            self._key = key
            self._previous = last if last is not None and 0.0 <= time_s - last.time_s <= GAP_S else e
            self._clear(time_s, _LENGTH_S.get(e.regime, _STEADY_LENGTH_S))
        elif last.time_s - self._start_s >= self._limit_s or time_s - self._start_s > self._limit_s + 0.1:
            done = self._close()
            self._first = False
            self._previous = last
            self._clear(last.time_s, self._limit_s)  # a window reaches back to the reading before it
        self._n += 1
        self._rpm += e.engine_rpm
        self._engine_accel += e.engine_accel_rpm_s
        self._locked += e.locked_probability
        ratio, pump = e.speed_ratio, e.pump_torque_nm
        if ratio is not None:
            self._ratio_n += 1
            self._ratio += ratio
        if pump is not None and e.engine_torque_nm is not None:
            self._pump_n += 1
            self._pump += pump
            self._pump_square += pump * pump
            self._pump_variance += e.pump_torque_sd_nm * e.pump_torque_sd_nm
            self._torque += e.engine_torque_nm
        geared_rpm = e.geared_rpm if e.found_rpm is None else e.found_rpm
        if geared_rpm is not None:
            self._geared_n += 1
            self._geared += geared_rpm / max(e.engine_rpm, 1.0)
        if e.road_speed_m_s is not None:
            self._speed_n += 1
            self._speed += e.road_speed_m_s
            accel = e.road_accel_m_s2
            self._accel += accel
            self._accel_square += accel * accel
        self._last = e
        return done

    def end(self) -> Window | None:
        """The last, unfinished window."""
        done = self._close()
        self._last = self._key = None
        return done

    def _close(self, shifts: bool = False) -> Window | None:
        """shifts: a shift ends it."""
        e, n = self._last, self._n
        if e is None or n == 0:
            return None
        length_s = e.time_s - self._start_s
        if not self._first and length_s < _STUB_S and n < 3:
            return None
        ratio = self._ratio / self._ratio_n if self._ratio_n else None
        rpm = self._rpm / n
        previous = self._previous or e
        torque_rate = self._rate(e.pump_torque_nm, previous.pump_torque_nm)
        torque_spread = _spread(self._pump, self._pump_square, self._pump_n)
        jerk = self._rate(e.road_accel_m_s2, previous.road_accel_m_s2)
        accel_spread = _spread(self._accel, self._accel_square, self._speed_n)
        apart_s = _APART_S + _APART_SHARE * (e.time_s - previous.time_s) / n
        geared_rpm = self._geared / self._geared_n * rpm if self._geared_n else None
        found = e.found_rpm is not None
        return Window(
            start_s=self._start_s,
            end_s=e.time_s,
            regime=e.regime,
            gear=e.gear,
            samples=n,
            into_stretch_s=e.time_s - self._stretch_start_s,
            engine_rpm=rpm,
            engine_accel_rpm_s=self._engine_accel / n,
            locked_probability=self._locked / n,
            gear_probability=e.gear_probability,
            turbine_rpm=None if ratio is None else ratio * rpm,
            turbine_source=e.turbine_source,
            geared_rpm=None if found else geared_rpm,
            geared_sd_rpm=e.geared_sd_rpm,
            found_rpm=geared_rpm if found else None,
            speed_ratio=ratio,
            speed_ratio_sd=e.speed_ratio_sd,
            slip_rpm=None if ratio is None else rpm * (1.0 - ratio),
            slip_sd_rpm=e.slip_sd_rpm,
            engine_torque_nm=self._torque / self._pump_n if self._pump_n else None,
            pump_torque_nm=self._pump / self._pump_n if self._pump_n else None,
            pump_torque_sd_nm=sqrt(self._pump_variance / self._pump_n) if self._pump_n else 0.0,
            pump_torque_unsure_nm=max(apart_s * abs(torque_rate), _WITHIN * torque_spread),
            torque_source=e.torque_source,
            road_speed_m_s=self._speed / self._speed_n if self._speed_n else None,
            road_accel_m_s2=self._accel / self._speed_n if self._speed_n else 0.0,
            road_accel_sd_m_s2=e.road_accel_sd_m_s2,
            road_accel_unsure_m_s2=max(apart_s * abs(jerk), _WITHIN * accel_spread),
            road_jerk_m_s3=jerk,
            turbine_rad_per_m=e.turbine_rad_per_m,
            pedal_pct=e.pedal_pct,
            brake=e.brake,
            clutch_applied=e.clutch_applied,
            hands_over=shifts and not self._first and length_s < _HANDS_OVER_S,
        )

    def _rate(self, now: float | None, before: float | None) -> float:
        """Change per second over this window; 0 where it cannot be told."""
        e, previous = self._last, self._previous
        if now is None or before is None or e is None or previous is None or e.time_s <= previous.time_s:
            return 0.0
        return (now - before) / (e.time_s - previous.time_s)


def _spread(total: float, square: float, n: int) -> float:
    """Standard deviation within the window."""
    return sqrt(max(square / n - (total / n) ** 2, 0.0)) if n > 1 else 0.0
