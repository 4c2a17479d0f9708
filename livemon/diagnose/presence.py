"""Is there a converter at all? A clutch car runs its first gear with no slip; a converter cannot."""

from __future__ import annotations

from math import sqrt
from typing import Final

from livemon.converter.curves import Curves, ln_over
from livemon.diagnose.windows import Window
from livemon.vehicle import Vehicle

# Under power with the turbine between a third and 0.95 of engine speed. Without converter numbers in the file
# only past the launch: a friction clutch slips in launches too, but never for seconds after a shift.
_OPEN_S: Final = 3.0
# A friction clutch slips for moments between solid stretches, a converter is open in every gear before it
# locks: so much more than first gear without slip, and this share of locked time but no more than so long.
_SOLID_OUTWEIGHS: Final = 2.0
_OPEN_SHARE, _OPEN_ENOUGH_S = 0.06, 10.0
# Where turbine speed is told, a first gear that is open for so long, and mostly, is a converter's.
_FIRST_OPEN_S: Final = 6.0
_TOLD_OPEN_S: Final = 0.8  # the vehicle file has converter numbers: one good look is enough
_SOLID: Final = 0.97  # two standard deviations clear of it: less slip than a converter passes torque with
# And not clear of equal speeds: behind a held stator torque flows a little off them. Where turbine speed is
# told a friction clutch shows no slip at all.
_EQUAL, _EQUAL_TOLD = 0.99, 0.996
_LESS_K: Final = 0.8  # a converter that takes half as much torque again as the file says still slips so much
_SOLID_S: Final = {False: 3.0, True: 12.0}  # a file with converter numbers is not lightly contradicted
_LIKE_A_CONVERTER: Final = 0.8  # |ln(K seen / K model)|: wider than any fault or guess of the file


class Presence:
    """Feed windows."""

    def __init__(self, vehicle: Vehicle, curves: Curves, torque_nm: float) -> None:
        self._curves, self._torque_nm = curves, torque_nm
        # a held stator takes its torque at less slip than a sound one, and is a converter all the same
        self._least_k = tuple(map(min, curves.k, curves.k_seized))
        numbers = (vehicle.stall_speed_rpm, vehicle.stall_torque_ratio, vehicle.coupling_speed_ratio)
        self.told = bool(vehicle.curve) or any(number is not None for number in numbers)
        self.open_s = self.open_pull_s = 0.0
        self.first_gear_solid_s = 0.0
        self.first_gear_open_s = self.first_gear_told_s = 0.0  # the second of these with turbine speed told
        self.locked_s = 0.0

    def feed(self, w: Window) -> None:
        """Take one window."""
        ratio, pump = w.speed_ratio, w.pump_torque_nm
        duration_s = w.end_s - w.start_s
        if w.regime == "locked":
            self.locked_s += duration_s
        if ratio is None or (pump is not None and pump < 0.1 * self._torque_nm):
            return
        if pump is None and w.regime not in ("launch", "pull", "locked"):
            return
        if w.gear == 1 and w.engine_rpm > 1100.0:
            low, high = ratio - 2.0 * w.speed_ratio_sd, ratio + 2.0 * w.speed_ratio_sd
            equal = _EQUAL_TOLD if w.turbine_told else _EQUAL
            if low > max(_SOLID, self._least_slip_ratio(w)) and low < 1.0 / equal and high > equal:
                self.first_gear_solid_s += duration_s
            elif ratio > 0.2:
                self.first_gear_open_s += duration_s
                self.first_gear_told_s += duration_s if w.turbine_told else 0.0
        if w.regime not in ("launch", "pull") or not 0.3 < ratio < 0.95:
            return
        k = self._curves.k
        if pump is not None and abs(ln_over(k, ratio, w.engine_rpm, pump)) > _LIKE_A_CONVERTER:
            return
        self.open_s += duration_s
        if w.regime == "pull":
            self.open_pull_s += duration_s

    def _least_slip_ratio(self, w: Window) -> float:
        """Speed ratio an open converter could have at most under the torque of this window."""
        if w.pump_torque_nm is None:
            return 0.0
        k = w.engine_rpm / sqrt(w.pump_torque_nm) / _LESS_K
        curve = self._least_k
        return next((i / (len(curve) - 1) for i in range(len(curve) - 1, -1, -1) if curve[i] <= k), 0.0)

    @property
    def reads_k(self) -> bool:
        """Whether engine torque over slip says something of a converter: the file or the drive shows one."""
        return self.told or self.seen

    @property
    def clutch_car(self) -> bool:
        """First gear pulls without slip most of the time: a friction clutch, not a converter."""
        least_s = _SOLID_S[self.told]
        return self.first_gear_solid_s > max(least_s, 0.6 * self.first_gear_open_s)

    @property
    def seen(self) -> bool:
        """A converter was seen to work as one, or the vehicle file says so and nothing contradicts it."""
        if self.clutch_car:
            return False
        if self.told:
            return self.open_s >= _TOLD_OPEN_S or self.locked_s > 5.0
        if self.first_gear_told_s > max(_FIRST_OPEN_S, _SOLID_OUTWEIGHS * self.first_gear_solid_s):
            return True
        share_s = min(_OPEN_SHARE * self.locked_s, _OPEN_ENOUGH_S)
        return self.open_pull_s >= max(_OPEN_S, _SOLID_OUTWEIGHS * self.first_gear_solid_s, share_s)
