"""The result's keys and numbers as a person reads them: names with units, shares with their band."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import exp, isfinite, log
from typing import Final

from livemon.rarity import grouped, once_in, one_digit
from livemon.views import sentences

# A key's last word is its unit; longer ones first.
_UNITS: Final = {
    "rpm_per_100_nm": "rpm per 100 N m", "rpm_per_sqrt_nm": "rpm/√(N m)", "kg_m2": "kg m²",
    "rpm": "rpm", "nm": "N m", "kmh": "km/h", "pct": "%", "hz": "Hz", "kw": "kW", "kj": "kJ",
    "kg": "kg", "km": "km", "m": "m", "s": "s", "n": "N", "c": "°C",
}  # fmt: skip
_LABELS: Final = {
    "ln_evidence_against_sound": "what was seen fits this better than a sound vehicle",
    "episodes": "times slip was seen to swing",
    "frequency_hz": "slip swings at, Hz",
    "amplitude_rpm": "slip swings by up to, rpm",
    "smallest_false_alarm_probability": "noise alone swings like that",
    "ln_evidence_of_half_order": "shakes in step with half the engine's speed, as a misfire does",
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
    "applied_s": "clutch carrying torque, s",
    "applied_under_load_s": "clutch carrying more than a quarter of peak torque, s",
    "slip_target_rpm": "slip the control holds, given or assumed, rpm",
    "mean_slip_rpm": "mean slip with the clutch on, rpm",
    "most_slip_rpm": "most slip with the clutch on, rpm",
    "slip_growth_rpm_per_100_nm": "slip grows with torque by, rpm per 100 N m",
    "slipping_s": "slip clearly above what the control holds, s",
    "open_in_steady_cruise_s": "clutch open in steady cruise, s",
    "open_though_said_applied_s": "clutch said to be applied, slipped as if open, s",
    "turbine_ahead_pct": "turbine ahead of road speed times ratio, %",
    "gear_slipping_s": "gear slipping, s",
    "shudder_episodes": "times slip was seen to swing",
    "shudder_visible_up_to_hz": "readings show swings up to, Hz",
    "shudder_could_be_seen": "readings fast enough to rule shudder out",
    "turbine_told": "turbine speed told by the vehicle",
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
_UNSAID: Final = ("probability",)  # stands among the possible causes already
_WIDE: Final = 4.0  # a band with its ends this many times apart tells no size any more
_MOST_TIMES: Final = 1000  # the models behind a likelihood are no better than that
_TELLS: Final = log(3.0)  # less is no evidence either way


def rows(values: Mapping[str, object]) -> list[tuple[str, str]]:
    """Name and value of each key; a standard deviation is told with its number, as two of them."""
    out = []
    for key, value in values.items():
        sd_key = _sd_key(key)
        if key in _UNSAID or ("_sd" in key and any(_sd_key(other) == key for other in values)):
            continue
        sd = values.get(sd_key)
        in_words = _IN_WORDS.get(key)
        if key.endswith(_SHARES) and isinstance(value, int | float):
            text = share(value, sd if isinstance(sd, int | float) else None)
        elif in_words is not None and isinstance(value, int | float) and isfinite(value):
            text = in_words(value)
        elif isinstance(value, str):
            text = value.replace("_", " ")
        elif isinstance(sd, int | float) and value is not None:
            text = f"{number(value)} ± {number(2 * sd)}"
        else:
            text = number(value)
        out.append((label(key), text))
    return out


def _times(log_likelihood: float) -> str:
    """How many times better one explanation fits than another."""
    if log_likelihood > log(_MOST_TIMES):
        return f"more than {grouped(_MOST_TIMES)} times"
    times = exp(log_likelihood)
    return f"{grouped(one_digit(times))} times" if times >= 1.5 else "no"


def _leaning(log_likelihood: float) -> str:
    if abs(log_likelihood) < _TELLS:
        return "cannot be told"
    return "yes" if log_likelihood > 0.0 else "no"


_IN_WORDS: Final[dict[str, Callable[[float], str]]] = {
    "ln_evidence_against_sound": _times,
    "smallest_false_alarm_probability": once_in,
    "ln_evidence_of_half_order": _leaning,
    "shudder_could_be_seen": lambda seen: "yes" if seen else "no",
    "turbine_told": lambda told: "yes" if told else "no",
}


def _sd_key(key: str) -> str:
    """Where the standard deviation of a key stands: x_sd, or x_sd_unit of x_unit."""
    if not key.endswith(_SHARES):
        for suffix in _UNITS:
            if key.endswith(f"_{suffix}"):
                return f"{key.removesuffix(f'_{suffix}')}_sd_{suffix}"
    return f"{key}_sd"


def share(residual: float | None, sd: float | None) -> str:
    """A log residual as a share of what a sound vehicle shows, with two standard deviations either way."""
    if residual is None or not isfinite(residual) or abs(residual) > 20.0:
        return "not known"
    part = 100.0 * exp(residual)
    if sd is None or not isfinite(sd) or sd < 0.0:
        return f"{part:.0f} %"
    if not too_wide(sd):
        low, high = limits(residual, sd)
        return f"{part:.0f} % ({low:.0f} to {high:.0f})"
    # How much cannot be told; it may still tell on which side of a sound vehicle it lies.
    if residual + 2.0 * sd < 0.0:
        return f"under {100.0 * exp(residual + 2.0 * sd):.0f} %"
    if residual - 2.0 * sd > 0.0:
        return f"over {100.0 * exp(residual - 2.0 * sd):.0f} %"
    return "not known"


def too_wide(sd: float) -> bool:
    """Whether a band of two standard deviations of a log residual is too wide to tell a size."""
    return 4.0 * sd > log(_WIDE)


def limits(residual: float, sd: float) -> tuple[float, float]:
    """Two standard deviations either way of a log residual, in per cent."""
    return 100.0 * exp(residual - 2.0 * sd), 100.0 * exp(residual + 2.0 * sd)


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
