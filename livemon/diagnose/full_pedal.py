"""Full pedal: does the engine report the torque it is rated at? Altitude makes a sound engine report less."""

from __future__ import annotations

from math import exp, log, pi, sqrt
from typing import Final

from livemon.diagnose.windows import Window
from livemon.vehicle import Vehicle, engine_torque_limit

# A relative pedal reading runs from 0 to about 100; an absolute one is a sensor's voltage and runs from about
# 10-20 to 70-90. Which of the two it is shows at rest. Common practice, no source.
FULL_RELATIVE_PCT: Final = 90.0
FULL_ABSOLUTE_PCT: Final = 72.0
_REST_ABSOLUTE_PCT: Final = 8.0
_REST_NOISE_PCT: Final = 2.0
_LEAST_S: Final = 1.5
_SETTLED_RPM_S: Final = 4000.0
SEA_LEVEL_KPA: Final = 101.3
_SOUND: Final = 0.97
_SIGNAL_SD: Final = 0.07
_ALTITUDE_SD: Final = 0.05  # nobody told the altitude: 500 m is 6 % of a naturally aspirated engine
_FAULT_LOW, _FAULT_HIGH = 0.30, 0.88


class FullPedal:
    """Feed windows; keeps the best torque the engine gave at full pedal, as a share of its rating."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._vehicle = vehicle
        self._baro_kpa: float | None = None
        self.seconds_s = 0.0
        self.best_share: float | None = None
        self.best_rpm = self.best_nm = 0.0
        self.rated_sd_share = 0.0
        self.last_s = self.first_s = 0.0
        self._since_s: float | None = None
        self.rest_pct: float | None = None

    @property
    def full_pct(self) -> float:
        """Pedal reading that counts as full."""
        absolute = self.rest_pct is not None and self.rest_pct > _REST_ABSOLUTE_PCT
        return FULL_ABSOLUTE_PCT if absolute else FULL_RELATIVE_PCT

    def released(self, pedal_pct: float | None) -> bool:
        """Whether the foot is off, as far as the pedal reading tells."""
        return pedal_pct is not None and self.rest_pct is not None and pedal_pct < self.rest_pct + _REST_NOISE_PCT

    def barometer(self, kpa: float) -> None:
        """Barometric pressure as the vehicle reports it [kPa]."""
        if 50.0 < kpa < 110.0:
            self._baro_kpa = kpa

    def feed(self, w: Window) -> None:
        """Take one window."""
        pedal = w.pedal_pct
        if pedal is not None:
            self.rest_pct = pedal if self.rest_pct is None else min(self.rest_pct, pedal)
        if pedal is None or w.engine_torque_nm is None or pedal < self.full_pct:
            self._since_s = None
            return
        if self._since_s is None:
            self._since_s = w.end_s  # the window in which the pedal went down does not count
            return
        rated = engine_torque_limit(self._vehicle, w.engine_rpm)
        if rated is None or abs(w.engine_accel_rpm_s) > _SETTLED_RPM_S or w.regime in ("shift", "unknown"):
            return
        if not self.seconds_s:
            self.first_s = w.start_s
        self.seconds_s += w.end_s - w.start_s
        self.last_s = w.end_s
        share = w.engine_torque_nm / rated.value
        if self.best_share is None or share > self.best_share:
            self.best_share, self.best_rpm, self.best_nm = share, w.engine_rpm, w.engine_torque_nm
            self.rated_sd_share = rated.sd / rated.value

    @property
    def enough(self) -> bool:
        return self.best_share is not None and self.seconds_s >= _LEAST_S

    def expected_share(self) -> tuple[float, float]:
        """(share of rating a sound engine gives here, its standard deviation)."""
        sd = sqrt(_SIGNAL_SD**2 + self.rated_sd_share**2)
        if self._baro_kpa is None:
            return _SOUND, sqrt(sd**2 + _ALTITUDE_SD**2)
        # A turbocharger makes up for some of it: half, give or take half.
        loss = max(0.0, 1.0 - self._baro_kpa / SEA_LEVEL_KPA)
        return _SOUND - 0.5 * loss, sqrt(sd**2 + (0.5 * loss) ** 2)

    @property
    def log_evidence(self) -> float:
        """ln evidence of an engine that reports what it lacks, relative to a sound one."""
        if not self.enough:
            return 0.0
        assert self.best_share is not None
        mean, sd = self.expected_share()
        z = (self.best_share - mean) / sd
        sound = 0.97 * exp(-0.5 * min(z * z, 1400.0)) / (sd * sqrt(2.0 * pi)) + 0.03
        if z > 0.0:
            sound = max(sound, 0.97 / (sd * sqrt(2.0 * pi)))  # more than rated is never a fault
        inside = _FAULT_LOW < self.best_share < _FAULT_HIGH
        return log((1.0 / (_FAULT_HIGH - _FAULT_LOW) if inside else 0.03) / sound)
