"""The converter's fluid circuit in motion: torques from the tables, and a stator clutch that may give way."""

from __future__ import annotations

from livemon.simulate.causes import Causes, StatorState
from livemon.simulate.hydraulics import STEPS, TOP, ConverterTruth, table


class Fluid:
    """Torque between pump and turbine. A stator that gives way makes this an object with a state."""

    def __init__(self, converter: ConverterTruth, causes: Causes) -> None:
        self._stator = causes.stator
        self._gives_way_nm = causes.stator_gives_way_nm
        sound = table(converter, "seized" if causes.stator == "seized" else "working")
        loose = sound
        if causes.stator == "lost":
            loose = table(converter, "working" if causes.stator_grip > 0.0 else "lost", causes.stator_grip)
        self._sound = (sound.capacity, sound.ratio)
        self._loose = (loose.capacity, loose.ratio)
        self.coupling_speed_ratio = sound.coupling_speed_ratio
        self.holding = causes.stator_gives_way_nm > 0.0 or causes.stator != "lost"
        self._overrun = converter.overrun * sound.capacity[0]

    def torque(self, w_e: float, w_t: float) -> tuple[float, float, float]:
        """Pump torque, turbine torque [N m] and the pump torque's growth with engine speed [N m s/rad].

        w_e, w_t: engine and turbine speed [rad/s], w_e > 0.
        """
        pump = turbine = slope = 0.0
        over = w_t > w_e
        if not over or self._stator == "seized":
            capacity, ratio = self._sound if self.holding else self._loose
            x = w_t / w_e * STEPS
            i = int(x)
            if i >= TOP:
                i, x = TOP - 1, float(TOP)
            f = x - i
            rise = capacity[i + 1] - capacity[i]
            gamma = capacity[i] + f * rise
            pump = gamma * w_e * w_e
            turbine = pump * (ratio[i] + f * (ratio[i + 1] - ratio[i]))
            slope = 2.0 * gamma * w_e - rise * STEPS * w_t
            limit = self._gives_way_nm
            if limit > 0.0:
                if self.holding and turbine - pump > limit:
                    self.holding = False
                elif not self.holding and w_t > 0.9 * w_e:
                    self.holding = True  # it takes hold again once the reaction is gone
        if over:
            behind = 1.0 - w_e / w_t
            stiff = self._overrun / (1.0 + 3.0 * behind)
            pump -= stiff * behind * w_t * w_t
            turbine -= stiff * behind * w_t * w_t
            slope += stiff * w_t
        return pump, turbine, slope if slope > 0.0 else 0.0

    def stator(self, pump_nm: float, turbine_nm: float) -> StatorState:
        """What the stator is doing, told from the torques."""
        ratio = turbine_nm / pump_nm if pump_nm > 0.1 else 1.0
        if self._stator == "seized":
            return "seized"
        if self._stator == "lost" and not self.holding:
            return "slipping" if ratio > 1.001 else "free"
        return "held" if ratio > 1.0005 else "free"
