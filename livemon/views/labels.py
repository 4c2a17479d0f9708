"""The result's keys and numbers as a person reads them: names with units, shares with their band."""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, isfinite
from typing import Final

from livemon.views import sentences

# A key's last word is its unit; longer ones first.
_UNITS: Final = {
    "rpm_per_100_nm": "rpm per 100 N m", "rpm_per_sqrt_nm": "rpm/√(N m)", "kg_m2": "kg m²",
    "rpm": "rpm", "nm": "N m", "kmh": "km/h", "pct": "%", "hz": "Hz", "kw": "kW", "kj": "kJ",
    "kg": "kg", "km": "km", "m": "m", "s": "s", "n": "N", "c": "°C",
}  # fmt: skip
_LABELS: Final = {
    "ln_evidence_against_sound": "weight of the evidence against a sound vehicle (natural logarithm)",
    "smallest_false_alarm_probability": "chance that noise alone swings like that",
    "ln_evidence_of_half_order": "weight of the evidence for half an engine order (natural logarithm)",
    "launch_r_k": "K at launch, share of expected",
    "launch_r_t": "turbine torque at launch, share of expected",
    "pull_r_k": "K in pulls with the clutch open, share of expected",
    "pull_r_t": "turbine torque in pulls with the clutch open, share of expected",
    "locked_r_t": "torque at the wheels with the clutch on, share of engine torque",
    "reaction_lost_pct": "stator reaction lost, %",
    "torque_made_of_seen_pct": "torque made, share of what is reported, %",
    "full_pedal_torque_of_rated_pct": "torque reported at full pedal, share of the rating, %",
    "extra_force_n": "extra force that holds the vehicle back, N",
    "stopped_at_release": "times it stopped as the clutch let go",
    "shaking_most_rpm": "engine speed shakes by up to, rpm",
    "shaking_clutch_on_pct": "share of time it shakes with the clutch on, %",
    "shaking_clutch_open_pct": "share of time it shakes with the clutch open, %",
    "applied_s": "clutch on, s",
    "applied_under_load_s": "clutch on with more than a quarter of peak torque, s",
    "slip_target_rpm": "slip the control holds, rpm",
    "mean_slip_rpm": "mean slip with the clutch on, rpm",
    "most_slip_rpm": "most slip with the clutch on, rpm",
    "slip_growth_rpm_per_100_nm": "slip grows with torque by, rpm per 100 N m",
    "slipping_s": "slip above what the control holds, s",
    "open_in_steady_cruise_s": "clutch open in steady cruise, s",
    "open_though_said_applied_s": "clutch said to be applied, slipped as if open, s",
    "turbine_ahead_pct": "turbine ahead of road speed times ratio, %",
    "gear_slipping_s": "gear slipping, s",
    "shudder_episodes": "shudder, episodes",
    "shudder_visible_up_to_hz": "shudder would show up to, Hz",
    "shudder_could_be_seen": "shudder would have shown",
    "k_windows": "looks at K",
    "t_windows": "looks at turbine torque",
    "coast_windows": "looks at coasting",
    "excess_force_pct_of_weight": "extra force, % of weight",
    "speed_ratio_first": "speed ratio at the start",
    "speed_ratio_last": "speed ratio at the end",
    "most_engine_rpm": "most engine speed, rpm",
    "most_pedal_pct": "most pedal, %",
    "torque_source": "torque",
}
_SHARES: Final = ("_r_k", "_r_t")  # natural logarithms of seen over expected
_YES_NO: Final = ("shudder_could_be_seen",)


def rows(values: Mapping[str, object]) -> list[tuple[str, str]]:
    """Name and value of each key; a standard deviation is told with its number, as two of them."""
    out = []
    for key, value in values.items():
        sd_key = _sd_key(key)
        if "_sd" in key and any(_sd_key(other) == key for other in values):
            continue
        sd = values.get(sd_key)
        if key.endswith(_SHARES) and isinstance(value, int | float):
            text = share(value, sd if isinstance(sd, int | float) else None)
        elif key in _YES_NO:
            text = "yes" if value else "no"
        elif isinstance(value, str):
            text = value.replace("_", " ")
        elif isinstance(sd, int | float) and value is not None:
            text = f"{number(value)} ± {number(2 * sd)}"
        else:
            text = number(value)
        out.append((label(key), text))
    return out


def _sd_key(key: str) -> str:
    """Where the standard deviation of a key stands: x_sd, or x_sd_unit of x_unit."""
    if not key.endswith(_SHARES):
        for suffix in _UNITS:
            if key.endswith(f"_{suffix}"):
                return f"{key.removesuffix(f'_{suffix}')}_sd_{suffix}"
    return f"{key}_sd"


def share(residual: float | None, sd: float | None) -> str:
    """A log residual as a share of what a sound vehicle shows, with two standard deviations."""
    if residual is None or not isfinite(residual) or abs(residual) > 20.0:
        return "not known"
    part = 100.0 * exp(residual)
    if sd is None or not isfinite(sd) or sd < 0.0:
        return f"{part:.0f} %"
    return f"{part:.0f} ± {min(999.0, 2.0 * sd * part):.0f} %"


def number(value: object, digits: int | None = None) -> str:
    """A number to read: "not known" instead of nothing, and no more digits than mean something."""
    if value is None or (isinstance(value, float) and not isfinite(value)):
        return "not known"
    if isinstance(value, bool) or not isinstance(value, int | float):
        return sentences.clean(value)
    if digits is not None:
        return f"{value:.{digits}f}"
    return f"{value:.4g}" if isinstance(value, float) and abs(value) < 1e4 else f"{value:.0f}"


def label(key: str) -> str:
    """A key as words with its unit: slip_sd_rpm is "slip sd, rpm"."""
    if key in _LABELS:
        return _LABELS[key]
    for suffix, unit in _UNITS.items():
        if key.endswith(f"_{suffix}"):
            return f"{key.removesuffix(f'_{suffix}').replace('_', ' ')}, {unit}"
    return str(key).replace("_", " ")
