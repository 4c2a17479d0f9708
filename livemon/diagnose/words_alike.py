"""What else looks the same as the call: a wrong vehicle file, a sensor, a control that does so by design."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from livemon.diagnose.seen import Seen
from livemon.diagnose.words_road import COASTED_S
from livemon.records import FindingName

# What the torque comes from, as whoever checks it says it.
_SIGNAL: Final[dict[str, str]] = {
    "reported": "A torque signal",
    "air_flow": "An air-flow signal, which torque is worked out from,",
    "absolute_load": "A load signal, which torque is worked out from,",
    "calculated_load": "A load signal, which torque is worked out from,",
    "fuel_rate": "A fuel rate signal, which torque is worked out from,",
}


def alike(d: Seen, name: FindingName, p: Mapping[FindingName, float]) -> list[str]:
    """Other causes of what was seen that are no finding of their own, each with what tells."""
    tells = _TELLS.get(name)
    return [] if tells is None else list(tells(d, p))


def _stator(d: Seen, _: Mapping[FindingName, float]) -> Iterator[str]:
    if d.stretches.facts.mean("r_t", "locked") is None:
        yield "No locked pull was driven, so engine output was not tested with the converter out of the path."
    if d.vehicle.stall_speed_rpm is not None and not d.vehicle.curve:
        yield (
            "A converter with a lower stall speed than the vehicle file gives lowers K as well, but not "
            "torque at launch."
        )


def _gear(d: Seen, _: Mapping[FindingName, float]) -> Iterator[str]:
    if d.vehicle.gear_ratios and not d.lockup_watch.shafts.seen:
        yield (
            "A wrong ratio of that gear in the vehicle file looks much the same, but is off by the same "
            "share at any load; a gear that slips holds with the foot nearly off."
        )


def _slip(d: Seen, _: Mapping[FindingName, float]) -> Iterator[str]:
    if d.vehicle.lockup_slip_target_rpm is None:
        yield (
            f"The maker's control may hold more slip than the {d.lockup_watch.target_rpm:.0f} rpm assumed "
            "here; give converter.lockup_slip_target_rpm and replay."
        )


def _never(_: Seen, p: Mapping[FindingName, float]) -> Iterator[str]:
    if p["lockup_slip"] < 0.5:
        yield "A converter clutch that comes on but holds next to nothing looks the same."


def _engine(d: Seen, _: Mapping[FindingName, float]) -> Iterator[str]:
    file = "than assumed" if d.vehicle.mass_kg.assumed else "than its file says"
    if d.full_pedal.log_evidence > 0.0:  # it reports the loss itself
        yield (
            "A torque limit of the control (fault mode, gearbox or traction protection), a throttle that "
            "does not open fully, or a rating entered too high looks the same."
        )
        return
    signal = _SIGNAL.get(d.torque_source, "A torque signal")
    yield f"{signal} that reads too high, or a vehicle heavier {file}, looks the same."


def _drag(d: Seen, _: Mapping[FindingName, float]) -> Iterator[str]:
    coasting = d.stretches.facts.mean("excess", "coast")
    if coasting is None or coasting.seconds_s < COASTED_S:
        tells = "a coast-down tells, and none was driven"
    else:
        tells = f"coasting tells, and {coasting.seconds_s:.0f} s of it were seen"
    yield (
        "An engine that makes less than it reports, or more load than the file says, looks alike under "
        f"power; {tells}."
    )


_TELLS: Final = {
    "stator_not_holding": _stator,
    "gear_slip": _gear,
    "lockup_slip": _slip,
    "lockup_never_applied": _never,
    "engine_low_output": _engine,
    "driveline_drag": _drag,
}
