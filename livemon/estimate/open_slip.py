"""How an open converter would slip: what tells an open clutch from a closed one, and one gear from the next.

The curves of the vehicle file, or the usual ones, with their level learned while driving. They decide what
is engaged and never move the turbine's speed, so slip stays evidence about the converter.
"""

from __future__ import annotations

from bisect import bisect_right
from math import exp, hypot, log, log1p, sqrt
from typing import Final

from livemon.converter.curves import Curves, at

_STEP, _STEPS = 0.01, 160
_EQUAL: Final = 0.02  # nearer to equal speeds torque goes with slip in a straight line
_FAULT_SD: Final = 0.1  # ln K of a converter that may be the faulty one
# Torque in stall capacities per (speed ratio - 1) beyond 1: published tables have 0.6 to 1.1, a converter as
# steep behind equal speeds as before them 4 to 6; sd of its ln, at first and at last. Common practice, no
# source.
_OVERRUN: Final = 1.7
_SOFTEST, _STIFFEST = 0.3, 8.0
_OVERRUN_SD, _LEAST_OVERRUN_SD, _OVERRUN_SHAPE = 0.8, 0.1, 0.2
# An engine that the wheels turn holds back, at 1000 rpm, this share of what the stalled converter takes:
# friction of about 1 bar in 11 behind a converter that stalls near 2200 rpm; and 15 % more for each 1000 rpm
# beyond. Common practice, no source.
_DRAG, _DRAG_RISE = 0.48, 0.15
_SHAPE: Final = 0.6  # share of the curve's spread that stays when its level is known
_LEVEL_SD, _LEAST_LEVEL_SD = 0.15, 0.05


class OpenSlip:
    """x = ln(pump speed / turbine speed). Torque in N m, speeds in rpm."""

    __slots__ = ("_capacity", "_drive", "_k_sd", "_stall", "level", "level_sd", "over", "over_sd")

    def __init__(self, curves: Curves) -> None:
        ratios = [exp(-_STEP * i) for i in range(_STEPS + 1)]
        capacity = [1.0 / at(curves.k, r) ** 2 for r in ratios]
        linear = round(_EQUAL / _STEP)
        for i in range(linear):
            capacity[i] = capacity[linear] * i / linear
        for i in range(linear, _STEPS):
            capacity[i + 1] = max(capacity[i + 1], capacity[i] * exp(-2.0 * _STEP))
        self._capacity = capacity  # torque / speed^2 over x
        self._k_sd = [hypot(at(curves.k_sd, r) / at(curves.k, r), _FAULT_SD) for r in ratios]
        for i in range(linear):
            self._k_sd[i] = self._k_sd[linear]
        # torque / turbine speed^2 over x, growing
        drive = [c * exp(2.0 * _STEP * i) for i, c in enumerate(capacity)]
        for i in range(_STEPS):
            drive[i + 1] = max(drive[i + 1], drive[i] * 1.0001)
        self._drive = drive
        self._stall = capacity[-1]
        self.level, self.level_sd = 0.0, _LEVEL_SD  # of ln K over the curve
        self.over, self.over_sd = log(_OVERRUN), _OVERRUN_SD  # ln stiffness with the turbine ahead

    def x_at(self, torque_nm: float, turbine_rpm: float) -> float:
        """x that takes this torque at this turbine speed."""
        q = torque_nm * exp(2.0 * self.level) / (turbine_rpm * turbine_rpm)
        if q < 0.0:
            q /= exp(self.over) * self._stall
            return log(0.5 + sqrt(max(0.0, 0.25 + q)))
        drive = self._drive
        i = bisect_right(drive, q)
        if i > _STEPS:
            return _STEP * _STEPS + 0.5 * log(q / drive[-1])
        low = drive[i - 1]
        return _STEP * (i - 1 + (q - low) / (drive[i] - low))

    def x_taking(self, torque_nm: float, torque_sd_nm: float, n: float, k_sd: float) -> tuple[float, float]:
        """(x, sd) at which an open converter takes this torque at n rpm; sd from torque and from ln K."""
        scale = n * n * exp(-2.0 * self.level)
        share = torque_nm / scale
        capacity = self._capacity
        if share <= 0.0:
            unit = exp(self.over) * self._stall
            return -log1p(-share / unit), hypot(torque_sd_nm / (unit * scale), self.over_sd * share / unit)
        i = min(max(bisect_right(capacity, share), 1), _STEPS)
        rise = (capacity[i] - capacity[i - 1]) / _STEP
        x = _STEP * (i - 1) + min((share - capacity[i - 1]) / rise, _STEP)
        return x, hypot(torque_sd_nm / scale, 2.0 * k_sd * share) / rise

    def torque_at(self, x: float, n: float) -> tuple[float, float, float]:
        """(torque, sd by the curve, growth with x at n) that the open converter takes at x and n rpm."""
        scale = n * n * exp(-2.0 * self.level)
        if x < 0.0:
            ratio = exp(min(-x, 1.5))
            unit = exp(self.over) * self._stall * scale
            torque = unit * (1.0 - ratio)
            return torque, hypot(self.over_sd, _OVERRUN_SHAPE) * -torque, unit * ratio
        f = x / _STEP
        i = int(f)
        if i >= _STEPS:
            i, f = _STEPS - 1, float(_STEPS)
        c = self._capacity
        rise = c[i + 1] - c[i]
        torque = scale * (c[i] + (f - i) * rise)
        sd = 2.0 * torque * hypot(self.level_sd, _SHAPE * self._k_sd[i])
        # at given turbine speed n grows with x as well
        return torque, sd, max(scale * rise / _STEP + 2.0 * torque, 1e-3)

    def stalled_nm(self, n: float) -> float:
        """Torque a stalled converter takes at n rpm."""
        return self._stall * n * n * exp(-2.0 * self.level)

    def drag_nm(self, n: float) -> float:
        """What an engine that the wheels turn holds back at n rpm, about."""
        return _DRAG * self._stall * 1e6 * (1.0 + _DRAG_RISE * (1e-3 * n - 1.0))

    def learn_over(self, x: float, x_sd: float, n: float, torque_nm: float, dt: float) -> None:
        """The turbine certainly ran ahead by x while it held the engine up with this torque (negative)."""
        if x > -0.02 or torque_nm > -5.0:
            return
        expected = self.torque_at(x, n)[0]
        off = log(torque_nm / expected)
        noise = hypot(x_sd / x, 5.0 / torque_nm, _OVERRUN_SHAPE)
        p = self.over_sd**2
        gain = p / (p + noise * noise * max(1.0, 2.0 / dt))
        over = self.over + gain * min(0.7, max(-0.7, off))
        self.over = min(log(_STIFFEST), max(log(_SOFTEST), over))
        self.over_sd = max(_LEAST_OVERRUN_SD, sqrt(p * (1.0 - gain)))

    def learn(self, x: float, x_sd: float, n: float, torque_nm: float, torque_sd_nm: float) -> None:
        """The converter was certainly open when x was seen: one step of a Kalman filter on the level."""
        if not 0.03 < x < 0.5 or torque_nm < 3.0 * torque_sd_nm:
            return
        expected, _, slope = self.torque_at(x, n)
        off = 0.5 * log(expected / torque_nm)
        noise = hypot(
            0.5 * torque_sd_nm / torque_nm, 0.5 * slope * x_sd / expected, _SHAPE * self._k_sd[int(x / _STEP)]
        )
        p = self.level_sd**2
        gain = p / (p + 30.0 * noise * noise)
        self.level = min(0.4, max(-0.4, self.level + gain * min(0.3, max(-0.3, off))))
        self.level_sd = max(_LEAST_LEVEL_SD, sqrt(p * (1.0 - gain)))
