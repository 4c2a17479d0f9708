"""What can be wrong with a simulated vehicle, and what is true of it at a moment. Plain records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from livemon.simulate.engine import EngineFault

SOUND_ENGINE: Final = EngineFault()
ClutchState = Literal["open", "applying", "slipping", "locked", "shifting"]
StatorState = Literal["held", "free", "slipping", "seized"]


@dataclass(frozen=True, slots=True)
class Causes:
    """Everything that can be wrong, as the part that is worn. Defaults are a sound vehicle."""

    stator: Literal["working", "lost", "seized"] = "working"
    stator_grip: float = 1.0  # share of the reaction the one-way clutch carries
    stator_gives_way_nm: float = 0.0  # reaction at which it lets go; 0 = at once
    clutch_friction: float = 1.0  # of the capacity the control believes it commands
    clutch_limit_nm: float = (
        1e9  # the most it can carry whatever the pressure (burnt, or pressure that leaks)
    )
    clutch_applies: bool = True  # False: no apply pressure ever
    clutch_fall: float = 0.0  # how far friction falls with sliding speed (chatter), share
    clutch_fall_rad_s: float = 3.0
    valve_hunt: float = 0.0  # share of the capacity by which a worn regulator valve hunts
    valve_hunt_hz: float = 8.0
    slipping_gear: int = 0
    gear_capacity_nm: float = 0.0  # turbine torque at which that element lets go
    gear_pressure_share: float = 0.0  # capacity that comes with engine torque, per N m
    drag_n: float = 0.0  # at the tyre's edge, always
    drag_hot_n: float = 0.0  # more, as the dragging brake heats
    engine: EngineFault = SOUND_ENGINE


class Truth(NamedTuple):
    """What really happens at one moment."""

    time_s: float
    engine_rpm: float
    turbine_rpm: float
    gear: int  # 0 in park or neutral
    clutch: ClutchState
    shifting: bool
    speed_ratio: float
    pump_torque_nm: float  # fluid torque on the pump
    turbine_torque_nm: float  # into the transmission: fluid and clutch
    engine_torque_nm: float  # at the flywheel, before accessories
    road_kmh: float
    accel_m_s2: float
    grade: float
    pedal: float
    brake: bool
    stator: StatorState
    transmission_oil_c: float
