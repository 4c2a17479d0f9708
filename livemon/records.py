"""The plain records that travel between the stages. No logic lives here.

    source -> Frame -> Reading -> Estimate, Oscillation -> Warning, Stretch, Call -> views

Records made thousands of times a second are named tuples (cheap to build); the rest are slotted
dataclasses. Units are in the names. `None` means "not known", never zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal, NamedTuple

Regime = Literal[
    "stationary_in_gear",  # road speed zero, turbine held by the wheels: SR = 0
    "neutral",  # turbine turns freely: park or neutral, standing or rolling
    "launch",  # pulling away from rest, clutch open, until the first shift or the coupling point
    "pull",  # clutch open, engine driving, not a launch
    "locked",  # converter clutch applied, with or without controlled slip
    "coast",  # clutch open, engine not driving
    "shift",  # turbine moving from one ratio to the next
    "unknown",
]

FindingName = Literal[
    "none",
    "not_enough_evidence",
    "stator_not_holding",
    "stator_seized",
    "lockup_shudder",
    "lockup_slip",
    "lockup_never_applied",
    "gear_slip",
    "engine_low_output",
    "driveline_drag",
]

# One name for each cause, in tables and sentences alike.
TITLES: Final[dict[FindingName, str]] = {
    "none": "no fault",
    "stator_not_holding": "stator not holding",
    "stator_seized": "stator seized",
    "lockup_shudder": "converter clutch shudder",
    "lockup_slip": "converter clutch slip",
    "lockup_never_applied": "converter clutch not coming on",
    "gear_slip": "slip in one gear",
    "engine_low_output": "low engine output",
    "driveline_drag": "driveline drag or load",
}
# Part of a sentence of the call where the engine misfires: no finding of its own, but what the driver feels.
MISFIRES: Final = "as a cylinder does that misfires"
# How a sentence begins that tells what does not fit the call.
MISFITS: Final = "Does not fit"
INSIDE: Final[frozenset[FindingName]] = frozenset((
    "stator_not_holding", "stator_seized",
    "lockup_shudder", "lockup_slip", "lockup_never_applied", "gear_slip",
))  # fmt: skip

Where = Literal["inside_transmission", "outside_transmission", "no_fault", "unknown"]


class Frame(NamedTuple):
    """One CAN frame as it was on the wire.

    `time_s` is the source's own clock (epoch seconds in recordings); the run counts from the first frame.
    """

    time_s: float
    can_id: int
    extended: bool
    data: bytes
    channel: str = "can0"


class Reading(NamedTuple):
    """One measured number. `quantity` is a key of quantities.QUANTITIES and carries the unit.

    time_s: seconds from the recording's first frame; for an asked value the middle of ask and answer.
    resolution: width of the reading's last digit in its own unit; 0 when finer than matters.
    """

    time_s: float
    quantity: str
    value: float
    resolution: float = 0.0
    source: int = 0


@dataclass(slots=True)
class Estimate:
    """The converter's state at one engine-speed reading. sd fields are one standard deviation."""

    time_s: float
    engine_rpm: float
    regime: Regime = "unknown"
    turbine_rpm: float | None = None
    turbine_sd_rpm: float = 0.0
    slip_rpm: float | None = None
    slip_sd_rpm: float = 0.0
    speed_ratio: float | None = None
    speed_ratio_sd: float = 0.0
    gear: int | None = None
    gear_probability: float = 0.0
    locked_probability: float = 0.0
    closing_probability: float = 0.0  # of a clutch that comes on: it carries torque and slips yet
    engine_accel_rpm_s: float = 0.0
    engine_accel_sd_rpm_s: float = 0.0
    road_speed_m_s: float | None = None
    road_speed_sd_m_s: float = 0.0
    road_accel_m_s2: float = 0.0
    road_accel_sd_m_s2: float = 0.0
    turbine_rad_per_m: float | None = None  # gear ratio x final drive / tyre radius, as calibrated
    engine_torque_nm: float | None = None  # at the flywheel, as the vehicle reports it or as worked out
    pump_torque_nm: float | None = None  # less accessories and the inertia of the engine side
    pump_torque_sd_nm: float = 0.0  # scatter only; the slow bias is a nuisance of the diagnosis
    capacity_rpm_per_sqrt_nm: float | None = None
    torque_ratio: float | None = None  # from the road: turbine torque / pump torque
    torque_ratio_sd: float = 0.0
    torque_source: str = ""  # a name of quantities.TORQUE_SOURCES; "" when there is none
    pedal_pct: float | None = None
    brake: bool | None = None
    geared_rpm: float | None = None  # turbine speed by road speed and file ratio alone, nothing learned
    geared_sd_rpm: float = 0.0  # of the readings; tyre and speedometer are a nuisance of the diagnosis
    found_rpm: float | None = None  # likewise, by a ratio found in this drive where the file has none
    clutch_applied: bool | None = None  # what the vehicle says of its converter clutch
    turbine_source: str = ""  # "broadcast", "ratios" of the file, "found" in this drive, "guessed" or ""

    @property
    def on_probability(self) -> float:
        """Of a clutch that is closed or comes on."""
        return self.locked_probability + self.closing_probability

    @property
    def named_regime(self) -> Regime:
        """`regime` as others are told it: a clutch that comes on is on. The diagnosis waits until it is."""
        return "locked" if self.on_probability > 0.5 and self.regime in ("pull", "coast") else self.regime


@dataclass(slots=True)
class Oscillation:
    """What the sliding least-squares spectrum of slip (or of engine speed while locked) shows."""

    time_s: float
    frequency_hz: float
    amplitude_rpm: float
    false_alarm_probability: float
    highest_visible_hz: float
    cycles: float
    locked: bool
    follows_engine_order: float | None = None  # order of engine speed the swing stays at, if it does


@dataclass(slots=True)
class Warning:
    """A change in what is warned of: raised, or withdrawn when later evidence contradicts it."""

    time_s: float
    finding: FindingName
    sentence: str
    raised: bool
    probability: float


@dataclass(slots=True)
class Finding:
    """One fault that the drive shows, with the numbers behind it (units in the keys)."""

    finding: FindingName
    first_s: float
    last_s: float
    evidence: dict[str, float | int | str | None] = field(default_factory=dict)


@dataclass(slots=True)
class Stretch:
    """Evidence of one launch or other stretch: ln of seen over modelled K and turbine torque."""

    start_s: float
    end_s: float
    regime: Regime
    gear: int | None
    samples: int
    r_k: float | None
    r_k_sd: float | None
    r_t: float | None
    r_t_sd: float | None
    details: dict[str, float | int | str | None] = field(default_factory=dict)


@dataclass(slots=True)
class Call:
    """The one call that ends a drive."""

    finding: FindingName
    probability: float
    where: Where
    because: list[str]
    against: list[str]
    check_next: list[str]


class LinkNews(str):
    """What a link says as it comes up: over once the vehicle answers. Any other notice is trouble."""

    __slots__ = ()
