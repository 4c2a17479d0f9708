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
    """Expected stalls of one converter. All but `as_built` and `swapped` are of the engine and air asked for.

    `lost_ratio` = K with the stator free over K working, at stall.
    """

    as_built: Stall  # its own engine, 99 kPa and 25 degC
    swapped: Stall | None  # behind another engine in the same air
    in_that_air: Stall | None
    weaker: tuple[tuple[float, Stall], ...]  # (share of engine torque, stall)
    lost: Stall
    lost_ratio: float
    lost_ratio_sd: float
    k0: float
    full_load: FullLoad
    redline_rpm: float
    charged: bool
    unboosted: Stall | None = None
    air_share: float = 1.0

    @property
    def expected(self) -> Stall:
        """What this vehicle should stall at, with the engine that is in it and in the air of the day."""
        return self.in_that_air or self.swapped or self.as_built


def stall_sheet(
    vehicle: Vehicle,
    barometric_kpa: float | None = None,
    intake_c: float | None = None,
    engine: Vehicle | None = None,
) -> StallSheet:
    """Solve the stalls; given pressure or temperature, in that air (else 99 kPa, 25 degC).

    engine: the vehicle whose engine stands in front of this one's converter, where it is not its own.
    UsageError when a file says nothing of the engine, or stall lies above redline.
    """
    curves = curves_of(vehicle)
    k0, k0_sd = curves.k[0], curves.k_sd[0]
    point = stall_point(vehicle)
    as_built = stall(k0, k0_sd, full_load(vehicle), redline_rpm(vehicle))
    if not vehicle.curve and point is not None:
        # K came from this very stall speed: the torque's error is in both and cancels
        as_built = as_built._replace(sd_rpm=point.rpm.sd)
    fitted = engine or vehicle
    load, redline, charged = full_load(fitted), redline_rpm(fitted), is_charged(fitted)
    swapped = None if engine is None else stall(k0, k0_sd, load, redline)
    normal = swapped or as_built

    def beside(
        stalled: Stall, share: float, share_sd: float = 0.0, k: float = k0, k_sd: float = 0.0
    ) -> Stall:
        """A stall at a share of the torque: the error of `stalled` is in it, and what else is unsure."""
        other = stall(k, k_sd, scaled(lambda rpm: (load(rpm)[0], 0.0), share, share_sd), redline)
        own = stalled.sd_rpm / stalled.rpm
        return other._replace(sd_rpm=other.rpm * hypot(own, other.sd_rpm / other.rpm))

    air_share, thinner, in_that_air = 1.0, 1.0, None
    if barometric_kpa is not None or intake_c is not None:
        air = 99.0 if barometric_kpa is None else barometric_kpa, 25.0 if intake_c is None else intake_c
        air_share, share_sd = altitude_factor(air[0], charged, air[1])
        thinner = altitude_factor(air[0], False, air[1])[0]
        in_that_air = beside(normal, air_share, share_sd)
    here = in_that_air or normal
    k_lost = curves.k_lost[0]
    lost_ratio = k_lost / k0
    lost_ratio_sd = lost_ratio * curves.lost_ratio_sd
    unboosted = None
    if charged and fitted.displacement_l is not None:
        share = thinner * _UNBOOSTED_NM_L[0] * fitted.displacement_l / normal.torque_nm
        if share < 0.95 * air_share:
            unboosted = beside(here, share, share * _UNBOOSTED_NM_L[1] / _UNBOOSTED_NM_L[0])
    return StallSheet(
        as_built=as_built,
        swapped=swapped,
        in_that_air=in_that_air,
        weaker=tuple((share, beside(here, air_share * share)) for share in WEAKER),
        lost=beside(here, air_share, k=k_lost, k_sd=k0 * lost_ratio_sd),
        lost_ratio=lost_ratio,
        lost_ratio_sd=lost_ratio_sd,
        k0=k0,
        full_load=scaled(load, air_share),
        redline_rpm=redline,
        charged=charged,
        unboosted=unboosted,
        air_share=air_share,
    )


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
    peak = vehicle.rated_nm or 0.0
    if vehicle.displacement_l is None or peak == 0.0:
        return vehicle.fuel == "diesel"
    return peak > _CHARGED_NM_L * vehicle.displacement_l
