"""The vehicle: the few numbers a shop knows, each with how well it is known."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field, replace
from functools import lru_cache
from math import hypot, sqrt
from typing import Final, NamedTuple

from livemon.converter.curves import Curves
from livemon.quantities import AIR_DENSITY_KG_M3, STANDARD_GRAVITY_M_S2


class Known(NamedTuple):
    """A number with its standard deviation. `assumed` when it is a default and not from the vehicle file."""

    value: float
    sd: float
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One vehicle. Numbers without a sensible default are None (or empty) when not given.

    Keys and units are those of the vehicle file. The defaults of the body are the median and half the
    16-84 % spread of the lockup automatics in the US EPA test-car list, model year 2022 [epa-testcar].
    """

    name: str | None = None
    mass_kg: Known = Known(2155.0, 330.0, True)
    drag_area_m2: Known = Known(0.94, 0.18, True)
    rolling_resistance: Known = Known(0.0088, 0.0026, True)
    gear_ratios: tuple[float, ...] = ()
    final_drive: float | None = None
    tyre: str | None = None  # the size as given; its radius is in tyre_radius_m
    tyre_radius_m: Known | None = None
    efficiency: Known = Known(0.92, 0.03, True)
    displacement_l: float | None = None
    cylinders: int | None = None
    fuel: str | None = None
    inertia_kg_m2: Known = Known(0.25, 0.08, True)  # engine and everything turning with the pump
    peak_torque_nm: float | None = None
    peak_torque_rpm: float | None = None
    torque_curve: tuple[tuple[float, float], ...] = ()  # (rpm, N m), rpm rising
    stall_speed_rpm: float | None = None
    stall_torque_nm: float | None = None
    stall_torque_ratio: float | None = None
    coupling_speed_ratio: float | None = None
    lockup_slip_target_rpm: float | None = None
    curve: tuple[tuple[float, float, float], ...] = ()  # (speed ratio, K, torque ratio)
    broadcast: dict[str, str] = field(default_factory=dict)
    path: str = field(default="", compare=False)  # the file it was read from, for complaints

    @property
    def rated(self) -> bool:
        """Whether the file tells what torque the engine is rated at."""
        return self.rated_nm is not None

    @property
    def rated_nm(self) -> float | None:
        """Most torque of the engine [N m], by its curve where that is given; None where nothing tells."""
        return max((torque for _, torque in self.torque_curve), default=self.peak_torque_nm)

    @property
    def full_load_known(self) -> bool:
        """Whether it tells so at every speed: below its peak a charged engine falls off as its turbo does."""
        peaks_high = (self.peak_torque_rpm or 0.0) >= _BREATHES_FREELY_RPM and self.fuel != "diesel"
        return bool(self.torque_curve) or (self.peak_torque_nm is not None and peaks_high)

    @property
    def assumed(self) -> tuple[str, ...]:
        """Vehicle-file names of the numbers that were defaulted, the converter's included."""
        bodies = {
            "body.mass_kg": self.mass_kg,
            "body.drag_area_m2": self.drag_area_m2,
            "body.rolling_resistance": self.rolling_resistance,
            "driveline.efficiency": self.efficiency,
            "engine.inertia_kg_m2": self.inertia_kg_m2,
        }
        return tuple(name for name, known in bodies.items() if known.assumed) + curves_of(self).assumed


def turbine_rad_per_m(vehicle: Vehicle) -> tuple[Known, ...]:
    """Turbine angle [rad] per metre of road, gear by gear from first; empty when not known."""
    if not vehicle.gear_ratios or vehicle.final_drive is None or vehicle.tyre_radius_m is None:
        return ()
    radius = vehicle.tyre_radius_m
    per_gear = [ratio * vehicle.final_drive / radius.value for ratio in vehicle.gear_ratios]
    return tuple(Known(value, value * radius.sd / radius.value, radius.assumed) for value in per_gear)


def engine_torque_limit(vehicle: Vehicle, rpm: float) -> Known | None:
    """Full-load flywheel torque [N m] at `rpm`, with its sd; None when the file tells nothing of the engine.

    From the torque curve, else from the peak, else from the displacement. Held constant outside the curve.
    The shapes are common practice, no source; their sd covers engines with and without a turbocharger.
    """
    if vehicle.torque_curve:
        points = vehicle.torque_curve
        torque = _interpolate(points, rpm)
        return Known(torque, 0.05 * torque)
    if vehicle.peak_torque_nm is not None:
        peak_rpm = vehicle.peak_torque_rpm or (1900.0 if vehicle.fuel == "diesel" else 3500.0)
        share = fades = _interpolate(_FULL_LOAD_SHAPE, rpm / peak_rpm)
        if vehicle.fuel == "petrol" and rpm > peak_rpm:
            holds = min(max((_ASPIRATED_RPM - peak_rpm) / (_ASPIRATED_RPM - _TURBO_RPM), 0.0), 1.0)
            share += holds * max(_interpolate(_PLATEAU, rpm) - fades, 0.0)
        torque = vehicle.peak_torque_nm * share
        guess = 0.0 if vehicle.peak_torque_rpm else 0.08
        spread = hypot(0.04, 0.5 * (1.0 - share), 0.25 * (share - fades), guess)
        return Known(torque, torque * spread, guess > 0.0)
    if vehicle.displacement_l is not None:
        per_litre, spread = (160.0, 0.3) if vehicle.fuel == "diesel" else (100.0, 0.35)
        torque = 0.88 * per_litre * vehicle.displacement_l
        return Known(torque, spread * torque, True)
    return None


_BREATHES_FREELY_RPM: Final = (
    3000.0  # where torque peaks without a turbocharger, or above. Common practice, no source
)
# Share of peak torque over engine speed / peak-torque speed, full load.
_FULL_LOAD_SHAPE: Final = (
    (0.0, 0.5),
    (0.25, 0.72),
    (0.5, 0.88),
    (0.75, 0.96),
    (1.0, 1.0),
    (1.3, 0.95),
    (1.7, 0.8),
    (2.2, 0.55),
)
# A petrol engine with its peak as low as this is held level by a turbocharger, one with its peak above is
# not; and its share of peak torque over engine speed. Common practice, no source.
_TURBO_RPM, _ASPIRATED_RPM = 2400.0, 3200.0
_PLATEAU: Final = ((4500.0, 1.0), (5500.0, 0.84), (6300.0, 0.66))


def _interpolate(points: tuple[tuple[float, float], ...], x: float) -> float:
    """Piecewise-linear look-up in (x, y) points with x rising, held constant outside."""
    i = bisect_right(points, x, key=lambda point: point[0])
    if i == 0:
        return points[0][1]
    if i == len(points):
        return points[-1][1]
    (x0, y0), (x1, y1) = points[i - 1], points[i]
    return y0 + (x - x0) / (x1 - x0) * (y1 - y0)


def curves_of(vehicle: Vehicle) -> Curves:
    """The converter's curves from the best the vehicle file gives: always something, with an honest band.

    In order: the measured table; stall speed with the torque that goes with it; the engine's full-load torque
    with a usual stall speed; a generic wide band. `assumed` of the result names what was defaulted.
    """
    if vehicle.curve:
        return _measured(vehicle.curve)
    k0, k0_sd, assumed = _stall_capacity(vehicle)
    curves = _derived(k0, k0_sd, vehicle.stall_torque_ratio, vehicle.coupling_speed_ratio)
    return replace(curves, assumed=assumed + curves.assumed)


@lru_cache(maxsize=32)
def _measured(rows: tuple[tuple[float, float, float], ...]) -> Curves:
    from livemon.converter.measured import curves_from_table  # numpy: only when curves are wanted

    return curves_from_table(rows)


@lru_cache(maxsize=32)
def _derived(k0: float, k0_sd: float, torque_ratio: float | None, coupling: float | None) -> Curves:
    from livemon.converter.derive import derive

    return derive(k0, k0_sd, torque_ratio, coupling)


def of_any_weight(vehicle: Vehicle) -> Vehicle:
    """A mass that nobody gave may be a bus's or a laden truck's: it is not the default car's."""
    return replace(vehicle, mass_kg=_ANY_KG) if vehicle.mass_kg.assumed else vehicle


def weighed(vehicle: Vehicle) -> bool:
    """Whether its mass is known well enough for acceleration to tell torque."""
    return vehicle.mass_kg.sd < _WEIGHED_SD * vehicle.mass_kg.value


class Aboard(NamedTuple):
    """What the vehicle weighs more than its file says on the day of the drive, and sd of mass [kg]."""

    more_kg: float
    sd_kg: float


def aboard(vehicle: Vehicle) -> Aboard:
    """A mass given in the file is without people and luggage; the default is an as-tested mass."""
    mass = vehicle.mass_kg
    more_kg, sd_kg = (0.0, _LOAD_SD_KG) if mass.assumed else _ABOARD_KG
    return Aboard(more_kg, hypot(mass.sd, sd_kg, _CARGO_SHARE_SD * mass.value))


def rotating_share(vehicle: Vehicle, per_m: float | None) -> float:
    """What turns with the wheels, as a share of mass: wheels and shafts, and what turns with the turbine.

    per_m: turbine angle per metre of road [rad/m]; None counts wheels and shafts alone.
    """
    if per_m is None:
        return ROTATING_SHARE
    return ROTATING_SHARE + GEARBOX_KG_M2.value * per_m * per_m / vehicle.mass_kg.value


def road_force(
    vehicle: Vehicle, speed_m_s: float, accel_m_s2: float, per_m: float | None
) -> tuple[float, float, float]:
    """What the wheels must push against on a level road [N]: tyres, air, and mass with all that turns.

    per_m: as for rotating_share.
    """
    mass_kg = vehicle.mass_kg.value
    return (
        mass_kg * STANDARD_GRAVITY_M_S2 * vehicle.rolling_resistance.value,
        0.5 * AIR_DENSITY_KG_M3 * vehicle.drag_area_m2.value * speed_m_s * speed_m_s,
        mass_kg * (1.0 + rotating_share(vehicle, per_m)) * accel_m_s2,
    )


class StallPoint(NamedTuple):
    """A stall: engine speed [rpm] and the full-load torque [N m] that holds it there."""

    rpm: Known
    torque_nm: Known


def stall_point(vehicle: Vehicle) -> StallPoint | None:
    """Stall speed and its torque, given or usual; None when the file tells nothing of the engine."""
    if vehicle.stall_speed_rpm is not None:
        rpm = Known(vehicle.stall_speed_rpm, _STALL_SPEED_SD_RPM)
    else:
        rpm = _USUAL_STALL_RPM["diesel" if vehicle.fuel == "diesel" else "petrol"]
    if vehicle.stall_torque_nm is not None:
        return StallPoint(rpm, Known(vehicle.stall_torque_nm, _STALL_TORQUE_SD * vehicle.stall_torque_nm))
    torque = engine_torque_limit(vehicle, rpm.value)
    return StallPoint(rpm, torque) if torque is not None else None


def _stall_capacity(vehicle: Vehicle) -> tuple[float, float, tuple[str, ...]]:
    """K at stall [rpm/sqrt(N m)], its sd, and what was assumed to get it."""
    point = stall_point(vehicle)
    if point is None:
        unknown = ("converter.stall_speed_rpm",) if vehicle.stall_speed_rpm is None else ()
        return *_USUAL_CAPACITY, (*unknown, "converter.stall_torque_nm")
    rpm, torque = point
    k0 = rpm.value / sqrt(torque.value)
    assumed = {"converter.stall_speed_rpm": rpm.assumed, "converter.stall_torque_nm": torque.assumed}
    return (
        k0,
        k0 * hypot(rpm.sd / rpm.value, 0.5 * torque.sd / torque.value),
        tuple(filter(assumed.get, assumed)),
    )


# Common practice, no source.
_ABOARD_KG: Final = (120.0, 150.0)
_LOAD_SD_KG: Final = 400.0  # of a vehicle of which nobody said what it is: it may be a laden van, or small
_ANY_KG: Final = Known(12000.0, 8000.0, True)  # 4 to 40 t
_WEIGHED_SD: Final = 0.5
_CARGO_SHARE_SD: Final = 0.06  # of mass: what is heavy itself is there to carry
WIND_SD_M_S: Final = 3.0
ROTATING_SHARE: Final = 0.035  # wheels and shafts, as a share of mass
# Turbine, half the fluid, gears, shafts: 0.056 in [advisor-tx-auto4]; half of it either way.
GEARBOX_KG_M2: Final = Known(0.06, 0.03, True)
# A published stall speed is a band: +-100 rpm about the nominal in [heisler] table 5.3, +-150 for trucks.
_STALL_SPEED_SD_RPM: Final = 60.0
_STALL_TORQUE_SD: Final = 0.04  # share; a rating is met within 5 % [un-r85]
# When nobody gave one. Common practice, no source.
_USUAL_STALL_RPM: Final = {"petrol": Known(2250.0, 300.0, True), "diesel": Known(1900.0, 200.0, True)}
_USUAL_CAPACITY: Final = (140.0, 35.0)  # K and sd [rpm/sqrt(N m)]: 50 (trucks) to 190 (small cars)
