"""What was learned from a drive, in words and as a vehicle file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from livemon.estimate.learned_curve import Point
from livemon.estimate.lesson_words import NEEDED
from livemon.vehicle import Vehicle, engine_torque_limit

_USUAL_STALL_RPM: Final = 2250.0


@dataclass(slots=True)
class Lesson:
    """What was learned, or what the drive lacked (`missing` is empty when there was enough).

    tyre_radius_sd_m: None where the tyre is still the file's, and then `tyre_why` says why. curve_why: why
    only K at stall was learned, if so.
    """

    vehicle: Vehicle
    points: list[Point]
    tyre_radius_sd_m: float | None
    tyre_why: str
    curve_why: str
    missing: list[str] = field(default_factory=list)

    @property
    def lines(self) -> list[str]:
        """What was learned, each number with two standard deviations."""
        radius = self.vehicle.tyre_radius_m
        if self.tyre_radius_sd_m is not None and radius is not None:
            tyre = (
                f"tyre radius {radius.value:.4f} ± {2.0 * self.tyre_radius_sd_m:.4f} m, "
                "as the speed reading has it"
            )
        else:
            tyre = f"tyre as in the vehicle file: {self.tyre_why}"
        if self.curve_why:
            p = self.points[0]
            return [tyre, f"at stall K {p.k:.0f} ± {2.0 * p.k_sd:.0f}; no curve: {self.curve_why}"]
        return [
            tyre,
            *(
                f"speed ratio {p.speed_ratio:.2f}: K {p.k:.0f} ± {2.0 * p.k_sd:.0f}, torque ratio "
                f"{p.torque_ratio:.2f} ± {2.0 * p.torque_ratio_sd:.2f}"
                for p in self.points
            ),
        ]


def with_curve(vehicle: Vehicle, points: Sequence[Point]) -> tuple[Vehicle, str]:
    """The vehicle with the learned curve; with K at stall alone, and why, where torque ratio is not known.

    A curve in a vehicle file is taken for measured, torque ratio and all.
    """
    worst = max(points, key=lambda p: p.torque_ratio_sd / p.torque_ratio)
    share = worst.torque_ratio_sd / worst.torque_ratio
    if share <= NEEDED:
        rows = tuple((p.speed_ratio, round(p.k, 1), round(p.torque_ratio, 3)) for p in points)
        return replace(
            vehicle, curve=rows, stall_torque_ratio=None, stall_speed_rpm=None, stall_torque_nm=None,
            coupling_speed_ratio=None,
        ), ""  # fmt: skip
    k, low, high = points[0].k, 500.0, 6000.0
    rpm = vehicle.stall_speed_rpm or _USUAL_STALL_RPM  # where nothing is known of the engine
    while (full := engine_torque_limit(vehicle, 0.5 * (low + high))) is not None and high - low > 1e-6:
        rpm = 0.5 * (low + high)  # where the engine's full load holds this converter
        low, high = (rpm, high) if full.value > (rpm / k) ** 2 else (low, rpm)
    why = (
        f"the torque ratio is known to {100.0 * share:.0f} % at {worst.speed_ratio:g}, "
        f"{100.0 * NEEDED:.0f} % needed; write converter.stall_torque_ratio if it is published"
    )
    return replace(vehicle, stall_speed_rpm=round(rpm, 0), stall_torque_nm=round((rpm / k) ** 2, 1)), why
