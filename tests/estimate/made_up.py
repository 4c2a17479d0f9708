"""Made-up parts that several tests of the estimator share."""

from __future__ import annotations

from livemon.estimate.open_slip import OpenSlip
from livemon.vehicle import Vehicle, curves_of


def open_slip() -> OpenSlip:
    """Of a converter that stalls at 2200 rpm with 220 N m."""
    return OpenSlip(curves_of(Vehicle(stall_speed_rpm=2200.0, stall_torque_nm=220.0)))
