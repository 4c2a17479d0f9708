"""What is not known about a sound vehicle, and how badly: the state every filter of the bank shares.

Each spread is weak and physical; none is fitted to a simulator. Where no source is named the spread is
common practice, no source. All are one standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from math import hypot, inf, log1p, sqrt
from typing import Final

from livemon.converter.curves import Curves, at
from livemon.converter.engine_torque import GAIN_SD
from livemon.vehicle import GEARBOX_KG_M2, WIND_SD_M_S, Vehicle, aboard


class State(IntEnum):
    """Places in the state vector."""

    MASS = 0  # ln(mass / mass of the file)
    ROLLING = 1  # constant force over weight
    AERO = 2  # ln(drag area / drag area of the file)
    LINE = 3  # ln(driveline efficiency / that of the file)
    GAIN = 4  # ln(engine torque made / torque seen)
    OFFSET = 5  # N m at the pump: accessories, friction convention of the torque signal
    K_SCALE = 6  # ln K, the whole curve
    K_TILT = 7  # ln K, growing with speed ratio
    K_KNEE = 8  # ln K, around the coupling point
    K_LOST = 9  # ln K, how far it falls when the reaction is lost
    TR = 10  # ln torque ratio at stall, fading to the coupling point
    TR_KNEE = 11  # ln torque ratio around and past the coupling point: published tables hold 0.95 to 1 there
    TYRE = 12  # ln speed ratio: rolling radius, ratios
    WIND = 13  # m/s head wind
    LATE = 14  # s: acceleration, from a late and smoothed road speed, behind torque
    GRADE = 15  # hills as they come
    SLOPE = 16  # the long pull up a valley
    K_WANDER = 17  # ln K, seconds: speed ratio while the reading lags, fluid settling
    GAIN_WANDER = 18  # ln torque, seconds: a torque map is not equally right everywhere
    INERTIA = 19  # kg m2: of the engine, flywheel and pump; true less assumed
    GEARBOX = 20  # kg m2 at the turbine: of turbine, fluid, gears and shafts; true less assumed
    K_NEAR = 21  # ln K at speed ratio 0.97 more than at 0.9: where it climbs, curves differ most
    TR_PAST = 22  # ln torque ratio past the coupling point more than just before it
    IDLE = 23  # N m at the pump at idle speed, falling with engine speed: auxiliaries, torque worked out


SIZE: Final = len(State)

_OFFSET_SHARE: Final = 0.04  # of peak torque; friction, which some signals hold and some do not, is about 9 %
_OFFSET_LEAST_NM: Final = 6.0
# At idle auxiliaries take as much power of less torque, and a torque that is worked out is at its worst: N m,
# shares of peak torque, and where that is. Common practice, no source.
_AUXILIARIES_SD_NM, _IDLE_SHARE = 5.0, 0.015
IDLE_SHARE_WORKED_OUT: Final = 0.05
IDLE_RPM: Final = 800.0
WANDER_WORKED_OUT_SD: Final = 0.06  # of ln torque over seconds, likewise
TYRE_SD: Final = 0.018  # tyre size gives the radius (docs/converter.md), speed readings their own error
_ROLLING_DAY_SD: Final = 0.0015  # temperature, pressure, wet road
_LATE_SD_S: Final = 0.12  # speed readings come 0.05-0.15 s late, and smoothing does not look ahead far
# Service literature accepts stall speeds 100 rpm (5 %) either side of the figure [heisler, table 5.3],
# trucks 150 rpm (from memory), and published converters differ by as much from any curve derived for them.
_CAR_TO_CAR_K_SD: Final = 0.045
# Five families of curves, two from their sources and three from memory (tests/vectors), against those derived
# for them: rms from speed ratio 0.84 to 0.92.
_TR_PAST_SD: Final = 0.023
# What drifts while driving: (correlation time s, correlation length m, standard deviation). Hills go by the
# metre, signals by the second; 2 % rms over 250 m is rolling country, the rest is the valley.
DRIFT: Final[dict[State, tuple[float, float, float]]] = {
    State.GRADE: (120.0, 250.0, 0.02),
    State.SLOPE: (900.0, 4000.0, 0.005),
    State.K_WANDER: (3.0, inf, 0.02),
    State.GAIN_WANDER: (8.0, inf, 0.025),
}


@dataclass(frozen=True, slots=True)
class Prior:
    """Mean and standard deviation of each state at the start; `torque_nm` scales what counts as little
    torque."""

    mean: tuple[float, ...]
    sd: tuple[float, ...]
    torque_nm: float


def peak_torque_nm(vehicle: Vehicle) -> float:
    """Peak engine torque, given or guessed from what is given [N m]. Used only to scale thresholds."""
    for guess in (vehicle.rated_nm, vehicle.stall_torque_nm):
        if guess is not None:
            return guess
    return 95.0 * (vehicle.displacement_l or 2.2)


def prior(vehicle: Vehicle, curves: Curves) -> Prior:
    """The spread of every state for this vehicle file; what is assumed in it is spread wider by its sd."""
    peak_nm = peak_torque_nm(vehicle)

    def k_relative(sr: float) -> float:
        return at(curves.k_sd, sr) / at(curves.k, sr)

    # Published converters differ from any derived curve by 5-13 %: the shape is never taken as known exactly.
    scale = hypot(_CAR_TO_CAR_K_SD, k_relative(0.1))
    tilt = sqrt(max(0.03**2, k_relative(0.6) ** 2 - scale**2)) / 0.6
    knee = sqrt(max(0.04**2, k_relative(0.9) ** 2 - scale**2 - (0.9 * tilt) ** 2))
    near = max(0.1, k_relative(0.97) - k_relative(0.9))
    more_kg, mass_sd_kg = aboard(vehicle)
    sd = dict.fromkeys(State, 0.0)
    sd |= {
        State.MASS: mass_sd_kg / vehicle.mass_kg.value,
        State.ROLLING: hypot(vehicle.rolling_resistance.sd, _ROLLING_DAY_SD),
        State.AERO: hypot(vehicle.drag_area_m2.sd / vehicle.drag_area_m2.value, 0.05),
        State.LINE: vehicle.efficiency.sd / vehicle.efficiency.value,
        State.GAIN: GAIN_SD["reported"],
        State.OFFSET: max(_OFFSET_LEAST_NM, _OFFSET_SHARE * peak_nm),
        State.IDLE: hypot(_AUXILIARIES_SD_NM, _IDLE_SHARE * peak_nm),
        State.K_SCALE: scale,
        State.K_TILT: tilt,
        State.K_KNEE: knee,
        State.K_NEAR: near,
        State.K_LOST: max(0.06, curves.lost_ratio_sd),
        State.TR: max(0.03, curves.tr_sd[0] / curves.tr[0]),
        State.TR_KNEE: hypot(0.04, curves.tr_sd[90] / curves.tr[90]),
        State.TR_PAST: _TR_PAST_SD,
        State.TYRE: TYRE_SD,
        State.WIND: WIND_SD_M_S,
        State.INERTIA: vehicle.inertia_kg_m2.sd,
        State.GEARBOX: GEARBOX_KG_M2.sd,
        State.LATE: _LATE_SD_S,
    }
    sd |= {state: spread for state, (_, _, spread) in DRIFT.items()}
    mean = [log1p(more_kg / vehicle.mass_kg.value) if state is State.MASS else 0.0 for state in State]
    return Prior(tuple(mean), tuple(sd[state] for state in State), peak_nm)
