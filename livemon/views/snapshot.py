"""What the views are given: a Snapshot while the drive runs, a Drive when it has ended.

The run loop fills both; the views only read them. A view is anything with the four members of View.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple, Protocol

from livemon import records
from livemon.converter.curves import Curves
from livemon.records import Call, Estimate, Finding, FindingName, Oscillation, Regime, Stretch
from livemon.vehicle import Vehicle


class SlipSpan(NamedTuple):
    """Slip over one short span of the drive [rpm]: its lowest, highest and mean value."""

    start_s: float
    low_rpm: float
    high_rpm: float
    mean_rpm: float
    locked: bool


class Point(NamedTuple):
    """One operating point seen with the converter clutch open. K in rpm/sqrt(N m)."""

    time_s: float
    speed_ratio: float
    k: float | None
    k_sd: float
    torque_ratio: float | None
    torque_ratio_sd: float
    regime: Regime
    speed_ratio_sd: float = 0.0


class Rate(NamedTuple):
    """How fast one quantity arrives: readings a second over the last few seconds, and its age."""

    quantity: str
    per_s: float
    age_s: float


class Marker(NamedTuple):
    """A moment that the person watching marked with a key."""

    time_s: float
    text: str


@dataclass(slots=True)
class Snapshot:
    """The drive as it stands. Everything may be missing: the first frame has not always come."""

    time_s: float = 0.0
    source: str = ""  # recording, interface or port, as the user named it
    vehicle: Vehicle = field(default_factory=Vehicle)
    curves: Curves | None = None
    estimate: Estimate | None = None
    slip: Sequence[SlipSpan] = ()  # the last minutes, oldest first
    points: Sequence[Point] = ()  # the last operating points, oldest first
    shake: Oscillation | None = None  # the newest
    coolant_c: float | None = None
    warnings: Sequence[records.Warning] = ()  # oldest first; a withdrawn one follows the one it withdraws
    standing: Mapping[FindingName, float] = field(default_factory=dict)  # sums to 1
    launches: int = 0
    rates: Sequence[Rate] = ()
    counters: Mapping[str, int] = field(default_factory=dict)
    cannot_judge: Sequence[str] = ()
    still_to_drive: Sequence[str] = ()  # manoeuvres that would show what has not been tested
    markers: Sequence[Marker] = ()
    notice: str = ""  # of the link: "no answer for 3 s, asking again"


@dataclass(slots=True)
class Drive:
    """All that the result and the report tell of one drive that has ended."""

    source: str
    frames: int
    readings: int
    duration_s: float
    vehicle: Vehicle
    call: Call
    probabilities: Mapping[FindingName, float]
    findings: Sequence[Finding] = ()
    launches: Sequence[Stretch] = ()
    stretches: Sequence[Stretch] = ()  # the same evidence of every regime
    lockup: Mapping[str, float | int | str | None] = field(default_factory=dict)
    counters: Mapping[str, int] = field(default_factory=dict)
    curves: Curves | None = None
    warnings: Sequence[records.Warning] = ()
    cannot_judge: Sequence[str] = ()
    codes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # {"stored": {code: name}, ...}
    codes_read: bool = False  # whether any control unit answered when asked for them
    vin: str | None = None
    markers: Sequence[Marker] = ()
    notices: Sequence[str] = ()
    slip: Sequence[SlipSpan] = ()  # the whole drive
    points: Sequence[Point] = ()  # the whole drive, thinned
    shakes: Sequence[Oscillation] = ()  # the strongest of each span of the drive
    regime_s: Mapping[Regime, float] = field(default_factory=dict)  # seconds spent in each
    heat_peak_kw: float | None = None
    heat_kj: float | None = None
    rates: Sequence[Rate] = ()  # over the whole drive
    driven: datetime | None = None  # when it began, where the frames' stamps tell it


class View(Protocol):
    """What the run loop asks of a view."""

    due_s: float  # drive time from which the next snapshot is wanted; no need to make one earlier

    def update(self, snapshot: Snapshot) -> None:
        """Show the drive as it stands."""

    def warn(self, warning: records.Warning) -> None:
        """Tell of a warning at once, whether or not a snapshot is due."""

    def close(self, drive: Drive | None) -> None:
        """Leave the terminal as it was, then print the call. None when there is no result."""
