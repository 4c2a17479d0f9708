"""What a stall check of this vehicle should show, and what would move it: engine and converter joined."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import Final

from livemon.converter.stall import FullLoad, Stall, altitude_factor, scaled, stall
from livemon.errors import UsageError
from livemon.vehicle import Vehicle, curves_of, engine_torque_limit, stall_point

WEAKER: Final = (0.9, 0.7)  # shares of full torque worth showing beside the expected stall
# Full torque before the turbocharger has answered, N m a litre: a naturally aspirated engine's.
_UNBOOSTED_NM_L: Final = (85.0, 10.0)  # common practice, no source
_CHARGED_NM_L: Final = 125.0  # above this an engine is taken as charged


@dataclass(frozen=True, slots=True)
class StallSheet:
    """Expected stalls of one vehicle. `lost_ratio` = K with the stator free over K working, at stall."""

    expected: Stall
    weaker: tuple[tuple[float, Stall], ...]  # (share of engine torque, stall)
    lost: Stall
    lost_ratio: float
    lost_ratio_sd: float
    k0: float
    k0_sd: float
    full_load: FullLoad
    redline_rpm: float
    charged: bool
    unboosted: Stall | None = None
    in_that_air: Stall | None = None
    air_share: float | None = None


def stall_sheet(
    vehicle: Vehicle, barometric_kpa: float | None = None, intake_c: float | None = None
) -> StallSheet:
    """Solve the stalls; given pressure or temperature, also in that air (else 99 kPa, 25 degC).

    UsageError when the file says nothing of the engine, or stall lies above redline.
    """
    load, redline = full_load(vehicle), redline_rpm(vehicle)
    curves = curves_of(vehicle)
    k0, k0_sd = curves.k[0], curves.k_sd[0]
    point = stall_point(vehicle)
    expected = stall(k0, k0_sd, load, redline)
    if not vehicle.curve and point is not None:
        # K came from this very stall speed: the torque's error is in both and cancels
        expected = expected._replace(sd_rpm=point.rpm.sd)
    own = expected.sd_rpm / expected.rpm

    def beside(full: FullLoad, k: float = k0, k_sd: float = 0.0) -> Stall:
        """Another stall of the same vehicle: the expected one's error is in it, and what else is unsure."""
        other = stall(k, k_sd, full, redline)
        return other._replace(sd_rpm=other.rpm * hypot(own, other.sd_rpm / other.rpm))

    def exact(rpm: float) -> tuple[float, float]:
        return load(rpm)[0], 0.0

    k_lost, k_lost_sd = curves.k_lost[0], curves.k_lost_sd[0]
    lost_ratio = k_lost / k0
    lost_ratio_sd = lost_ratio * max((k_lost_sd / k_lost) ** 2 - (k0_sd / k0) ** 2, 0.0) ** 0.5
    charged = is_charged(vehicle)
    unboosted = None
    if charged and vehicle.displacement_l is not None:
        share = _UNBOOSTED_NM_L[0] * vehicle.displacement_l / expected.torque_nm
        if share < 0.95:
            sd = share * _UNBOOSTED_NM_L[1] / _UNBOOSTED_NM_L[0]
            unboosted = beside(scaled(exact, share, sd))
    in_that_air, air_share = None, None
    if barometric_kpa is not None or intake_c is not None:
        air = 99.0 if barometric_kpa is None else barometric_kpa, 25.0 if intake_c is None else intake_c
        air_share, share_sd = altitude_factor(air[0], charged, air[1])
        in_that_air = beside(scaled(exact, air_share, share_sd))
    return StallSheet(
        expected=expected,
        weaker=tuple((share, beside(scaled(exact, share))) for share in WEAKER),
        lost=beside(exact, k_lost, k0 * lost_ratio_sd),
        lost_ratio=lost_ratio,
        lost_ratio_sd=lost_ratio_sd,
        k0=k0,
        k0_sd=k0_sd,
        full_load=load,
        redline_rpm=redline,
        charged=charged,
        unboosted=unboosted,
        in_that_air=in_that_air,
        air_share=air_share,
    )


def behind(sheet: StallSheet, engine: Vehicle) -> Stall:
    """The same converter behind another engine. UsageError as stall_sheet."""
    return stall(sheet.k0, sheet.k0_sd, full_load(engine), redline_rpm(engine))


def full_load(vehicle: Vehicle) -> FullLoad:
    """The engine's full load: its own shape, moved to pass through stall_torque_nm where that is given."""
    point = stall_point(vehicle)
    if point is None:
        raise UsageError(
            "torque of the engine",
            "none",
            vehicle.path or vehicle.name or "the vehicle file",
            "add engine.torque_curve, engine.peak_torque_nm or converter.stall_torque_nm",
        )
    own = engine_torque_limit(vehicle, point.rpm.value)
    anchor = point.torque_nm

    def torque(rpm: float) -> tuple[float, float]:
        here = engine_torque_limit(vehicle, rpm)
        if here is None or own is None:  # one torque known: flat, less sure with distance
            return anchor.value, hypot(anchor.sd, 0.15 * anchor.value * (rpm / point.rpm.value - 1.0))
        return here.value * anchor.value / own.value, here.sd

    return torque


def redline_rpm(vehicle: Vehicle) -> float:
    """The last engine speed worth solving for: the end of the torque curve, else the usual for the engine."""
    if vehicle.torque_curve:
        return vehicle.torque_curve[-1][0]
    if vehicle.fuel == "diesel":
        return 2600.0 if (vehicle.displacement_l or 0.0) > 5.0 else 4800.0
    return 7000.0


def is_charged(vehicle: Vehicle) -> bool:
    """Whether the engine's torque tells of a turbocharger; a diesel is taken to have one."""
    peak = max((nm for _, nm in vehicle.torque_curve), default=vehicle.peak_torque_nm or 0.0)
    if vehicle.displacement_l is None or peak == 0.0:
        return vehicle.fuel == "diesel"
    return peak > _CHARGED_NM_L * vehicle.displacement_l
