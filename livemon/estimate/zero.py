"""What the torque signal reads where the pump takes nothing, and what share of the model's torque it takes.

Both stay much the same from stop to stop. A Kalman filter of two numbers that takes each stop, and each roll
to a stop, as one measurement: what is wrong in one moment of it is wrong in all.
"""

from __future__ import annotations

from math import inf, sqrt
from typing import Final

from livemon.estimate.interval import normal

_SHARE, _SHARE_SD = 0.85, 0.3  # bound fluid takes less than a stall test's, cold fluid more
_BETWEEN_NM2: Final = 20.0  # from one stop to the next: alternator, compressor, an engine warming up
_STOP_SD_NM: Final = 6.0  # of one stop, by itself
_ODD: Final = 3e-4  # in N m: anything may be wrong


class Zero:
    """`likelihood` of torque where the model has the pump take some; `learn` where that is certain.

    sd_nm: how far the signal may be off all drive alike.
    """

    __slots__ = ("_c", "_cc", "_learnt", "_z", "_zc", "_zz")

    def __init__(self) -> None:
        self._z, self._c = 0.0, _SHARE  # N m; share of what the model has a stalled converter take
        self._zz, self._zc, self._cc = 0.0, 0.0, _SHARE_SD**2
        self._learnt = False

    @property
    def nm(self) -> float:
        """What the signal reads where the pump takes nothing [N m]; 0 until learnt."""
        return self._z

    @property
    def sd_nm(self) -> float:
        """How far that may be off; infinite until learnt."""
        return sqrt(self._zz + _BETWEEN_NM2) if self._learnt else inf

    def taken(self, load_nm: float) -> tuple[float, float]:
        """What a pump takes of load_nm, and its variance."""
        return self._c * load_nm, self._cc * load_nm * load_nm

    def likelihood(self, torque_nm: float, load_nm: float, sd_nm: float) -> float:
        """Of torque [N m] where the model has the pump take load_nm."""
        if not self._learnt:
            self._zz = sd_nm * sd_nm
        left = torque_nm - self._z - self._c * load_nm
        variance = self._zz + load_nm * (2.0 * self._zc + load_nm * self._cc) + _STOP_SD_NM**2
        return normal(left, 0.0, sqrt(variance)) + _ODD

    def learn(self, torque_nm: float, load_nm: float, sd_nm: float) -> None:
        """Take one stop."""
        if not self._learnt:
            self._zz, self._learnt = sd_nm * sd_nm, True
        elif self._zz < sd_nm * sd_nm:
            self._zz += _BETWEEN_NM2
        left = torque_nm - self._z - self._c * load_nm
        to_z, to_c = self._zz + load_nm * self._zc, self._zc + load_nm * self._cc
        variance = to_z + load_nm * to_c + _STOP_SD_NM**2
        self._z += to_z * left / variance
        self._c += to_c * left / variance
        self._zz -= to_z * to_z / variance
        self._zc -= to_z * to_c / variance
        self._cc -= to_c * to_c / variance
