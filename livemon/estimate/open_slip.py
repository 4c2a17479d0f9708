"""How far an open converter slips under how much torque: one number, learned while driving.

The converter's own curves are never asked, that would make slip evidence circular.
"""

from __future__ import annotations

from math import exp, log, sqrt
from typing import Final

_POWER: Final = 1.4


class OpenSlip:
    """x = ln(pump speed / turbine speed) near coupling is 0.1 (load / grip)^1.4, load = torque at 1000 rpm.

    Published tables lie between powers 1 and 1.8. Overrun slips about twice as much under the same torque,
    less surely. `expect` sets m (x expected), spread (how far m may be off, as a share of itself) and m_sd
    (its sd by torque).
    """

    __slots__ = ("grip", "grip_sd", "m", "m_sd", "spread")

    def __init__(self, grip_nm: float | None) -> None:
        """grip_nm: guess of the torque at 1000 rpm that makes the open converter slip 10 %."""
        self.grip, self.grip_sd = (log(20.0), 0.6) if grip_nm is None else (log(grip_nm), 0.4)
        self.m = self.spread = self.m_sd = 0.0

    def expect(self, torque_nm: float, torque_sd_nm: float, n: float) -> None:
        scale = 1e6 / ((n * n + 1e4) * exp(self.grip))
        load, load_sd = torque_nm * scale, torque_sd_nm * scale
        size = abs(load)
        if load < 0.0:
            self.m, self.spread, self.m_sd = max(-0.7, -0.28 * size**0.9), 1.0, 0.28 * min(load_sd, 0.7)
            return
        size = min(size, 4.0)
        self.m = 0.1 * size**_POWER
        self.m_sd = 0.1 * (size + min(load_sd, 3.0)) ** _POWER - self.m
        shape = 0.2 + 0.2 * abs(log(max(size, 0.05)))
        self.spread = sqrt((_POWER * self.grip_sd) ** 2 + shape * shape)

    @property
    def visible(self) -> bool:
        """Were the converter open, it would certainly slip so much that it shows."""
        return (abs(self.m) - 2.0 * self.m_sd) * exp(-2.0 * self.spread) > 0.008

    def stalled_nm(self, n: float) -> float:
        """Torque a stalled converter takes at n rpm, within some 60 %."""
        return exp(self.grip) * 2.2e-6 * n * n

    def learn(self, x: float, x_var: float) -> None:
        """The converter was certainly open when x was seen: one step of a Kalman filter on the log of
        grip."""
        m = self.m
        if not 0.04 < m < 0.25 or m < 3.0 * self.m_sd:
            return
        h, p = -_POWER * m, self.grip_sd**2
        gain = p * h / (p * h * h + 30.0 * (self.m_sd**2 + (0.25 * m) ** 2 + x_var))
        self.grip = min(5.0, max(1.3, self.grip + gain * min(0.1, max(-0.1, x - m))))
        self.grip_sd = max(0.12, sqrt(p * (1.0 - gain * h)))
