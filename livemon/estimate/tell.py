"""From the chain, the road and the calibration to turbine speed, slip and regime of one estimate."""

from __future__ import annotations

from math import sqrt
from typing import Final, NamedTuple

from livemon.estimate.gear_tick import RARE, Tick
from livemon.estimate.locked import Locked
from livemon.estimate.torque import RUNS_RPM
from livemon.quantities import KMH_TO_M_S, RPM_TO_RAD_S
from livemon.records import Estimate

_LIKELY: Final = 0.25  # what is likelier is taken into the mean
_COUPLED: Final = 0.9  # speed ratio at which a launch is over
_STEADY_VAR: Final = 4.0  # rpm^2, ripple of both shafts
_JITTER_S: Final = 0.01  # of a broadcast turbine speed against engine speed
_AGE_S: Final = 0.02  # of both as they are broadcast (common practice, no source)
_CREEP_KMH: Final = 6.0  # slower than this a vehicle just off from rest may be in reverse, whose ratio is
_REVERSE_SHARE: Final = 0.15  # so much off that of first gear (common practice, no source)
_SLOW_KMH: Final = 16.0  # slowed to this without a stop, boxes differ in which gear they are in, and without
_SLOW_SHARE: Final = 0.35  # torque or a stated gear little tells them apart (common practice, no source)
_GAUGE_SD: Final = 0.012  # what reported road speed may be off until locked stretches have pinned it
_PINNED_SD: Final = 0.008  # (common practice, no source)
_HIDDEN, _HIDES = 0.15, 0.06  # share of stretches called locked, and the most slip so hidden
_DRAG_RPM: Final = 8.0  # of a turbine that turns freely
# Rolling in neutral, a box that sails: the converter pulls an idling engine along with its turbine, the more
# so the faster that turns. Common practice, no source.
_IDLES_SHARE, _PULLS_ALONG_RPM = 0.42, 1300.0
_GUESSED_SD: Final = 0.1  # relative, of a ratio too uncertain to weigh forces by
_ROLLING_KMH, _SHIFTS = 7.0, 0.1  # slower, or a shift likelier: both speeds do not give the ratio
_SHAFT_VAR: Final = 9.0  # rpm^2
AT_REST_RPM: Final = 50.0  # told in a vehicle that rolls, it is a sensor that fails
# With turbine speed told: so likely closed, and so near engine speed, though its control says released; one
# said to be applied may let slip a little. Common practice, no source.
_AGAINST_ITS_WORD, _TOGETHER_RPM, _TOGETHER = 0.95, 20.0, 0.015
_APPLIED_RPM, _APPLIED, _STAYS = 80.0, 0.04, 1.3


class Told(NamedTuple):
    """What there is to tell from. open_k: mean_k and spread_k2 of the tick, or of the two around.

    road: as gauge.on_scale. turbine: broadcast (rpm, rpm/s), or None;
    locked: chance that the clutch is closed, by it and the engine. applied, shifts: what the vehicle says of
    its clutch, and of a shift, 0 to 1."""

    tick: Tick | None
    open_k: tuple[float, float]
    road: tuple[float, float, float, float, float, bool] | None
    k: list[float]
    k_sd: list[float]
    calibration: Locked
    turbine: tuple[float, float] | None
    locked: float
    applied: float | None
    shifts: float | None
    launching: bool
    closed: bool  # as the estimate before had the clutch
    gaps: bool  # gears were found in this drive, but not all
    read: tuple[float, float] | None  # road speed as read, sd from reading, rounding and delay [km/h]


def tell(e: Estimate, told: Told) -> bool:
    """Fill in `e`; returns whether a launch is still going on afterwards."""
    tick, _, road, k, k_sd, calibration, turbine, _, applied, shifts, launching, _, gaps, read = told
    e.clutch_applied = None if applied is None else applied > 0.5
    if road is not None:
        v, rate, var, slow_var, rate_var, _ = road
        e.road_speed_m_s, e.road_speed_sd_m_s = v * KMH_TO_M_S, sqrt(var + slow_var) * KMH_TO_M_S
        scale = calibration.scale * KMH_TO_M_S  # what is learned counts as the gauge's: speed and rate alike
        e.road_accel_m_s2, e.road_accel_sd_m_s2 = rate * scale, sqrt(rate_var) * scale
    if tick is not None and k:
        e.gear, e.gear_probability, e.locked_probability = tick.gear + 1, tick.probability, tick.locked
        if k_sd[tick.gear] < _GUESSED_SD and not gaps:
            e.turbine_rad_per_m = k[tick.gear] * RPM_TO_RAD_S / KMH_TO_M_S
        if read is not None and not tick.still:
            geared_rpm, e.geared_sd_rpm = k[tick.gear] * read[0], k[tick.gear] * read[1]
            if not k_sd[tick.gear]:
                e.geared_rpm = geared_rpm
            elif e.turbine_rad_per_m is not None:
                e.found_rpm = geared_rpm
    if turbine is not None:
        return _broadcast(e, told)
    if tick is None or road is None:
        return launching
    n = e.engine_rpm
    v, rate, var, slow_var, rate_var, _ = road
    if tick.still:
        if v > _CREEP_KMH:  # it has driven off unseen
            e.gear, e.gear_probability, e.turbine_rad_per_m = None, 0.0, None
            return launching
        return _standing(e, tick, k[tick.gear] * v if k else 0.0, k[tick.gear] ** 2 * var if k else 25.0)
    if not k:
        return False
    if _freewheels(n, k[-1] * v):
        e.regime, e.gear, e.gear_probability, e.locked_probability = "neutral", None, 1.0, 0.0
        e.turbine_rad_per_m = e.geared_rpm = e.found_rpm = None
        _slip(e, n - _DRAG_RPM, _DRAG_RPM**2 + _STEADY_VAR)
        return False
    mean_k, spread_k2 = told.open_k
    mean, t_var = mean_k * v, mean_k**2 * (var + slow_var) + spread_k2 * v * v
    t_var += (_GAUGE_SD * mean * min(1.0, calibration.scale_sd / _PINNED_SD)) ** 2
    t_var += (k_sd[tick.gear] * mean) ** 2
    if launching and v < _CREEP_KMH:
        t_var += (_REVERSE_SHARE * mean * min(1.0, _CREEP_KMH - v)) ** 2
    if not (launching or tick.told) and v < _SLOW_KMH:
        t_var += (_SLOW_SHARE * mean) ** 2
    p = tick.locked * (1.0 - tick.shifting)
    if p > 1e-3:
        s, s_var = calibration.slip(e.time_s)
        if tick.driven and s > 0.0:
            s_var += 0.5 * s * s
            s = 0.0
        if calibration.silent_s(e.time_s) > 1.0:  # road speed has not had its say in s
            gain = s_var / (s_var + t_var)
            s += gain * (n - mean - s)
            s_var = max(s_var * (1.0 - gain), (n - mean - s) ** 2 * (1.0 - gain) ** 2 * 0.25)
        closed = n - s
        off = (closed - mean) ** 2
        if off > 4.0 * t_var:  # the road says otherwise
            s_var += 0.25 * off
        if tick.open_x > 0.0 and calibration.scale_sd > _PINNED_SD:
            # tyre and gauge may hide an open converter
            s_var += _HIDDEN * (min(tick.open_x, _HIDES) * n) ** 2
        both = p * closed + (1.0 - p) * mean
        t_var = p * (s_var + (closed - both) ** 2) + (1.0 - p) * (t_var + (mean - both) ** 2)
        mean = both
    found = "guessed" if gaps or k_sd[tick.gear] > _GUESSED_SD else "found"
    e.turbine_source = found if k_sd[tick.gear] else "ratios"
    e.closing_probability = tick.closing * (1.0 - tick.shifting)
    _slip(e, mean, t_var + _STEADY_VAR)
    return _regime(e, _shifting(tick, shifts), p > 0.5, mean, launching and tick.gear < 2)


def _freewheels(n: float, top_rpm: float) -> bool:
    """Whether the engine idles so far below the turbine's speed in top gear, top_rpm, that none can be in."""
    return RUNS_RPM < n < _IDLES_SHARE * top_rpm and top_rpm > _PULLS_ALONG_RPM


def _slip(e: Estimate, turbine: float, var: float) -> None:
    n, sd = e.engine_rpm, sqrt(var)
    e.turbine_rpm, e.turbine_sd_rpm = turbine, sd
    e.slip_rpm, e.slip_sd_rpm = n - turbine, sd
    if n > 100.0:
        e.speed_ratio, e.speed_ratio_sd = turbine / n, sd / n


def _shifting(tick: Tick | None, shifts: float | None) -> bool:
    """By its speeds, or by the vehicle's word, which comes earlier: first torque is handed over."""
    return (tick is not None and tick.shifting > 0.4) or (shifts is not None and shifts > 0.5)


def _regime(e: Estimate, shifting: bool, locked: bool, turbine: float, launching: bool) -> bool:
    if shifting:
        e.regime = "shift"
    elif locked:
        e.regime = "locked"
    elif e.engine_rpm < turbine:
        e.regime = "coast"
    elif launching and turbine < _COUPLED * e.engine_rpm:
        e.regime = "launch"
        return True
    else:
        e.regime = "pull"
    return False


def _standing(e: Estimate, tick: Tick, turbine: float, var: float) -> bool:
    n, free = e.engine_rpm, tick.neutral
    e.regime = "neutral" if free > 0.5 else "stationary_in_gear"
    if free < RARE:
        _slip(e, turbine, var + _STEADY_VAR)
    else:  # in doubt the mean of both
        spin = n - _DRAG_RPM
        share = 0.0 if free < _LIKELY else free if free < 1.0 - _LIKELY else 1.0
        doubt = free * (1.0 - free)
        if share == 1.0 and free < 1.0 - RARE:  # two standard deviations reach a turbine at rest
            doubt = 0.25
        _slip(e, turbine + share * (spin - turbine), var + _DRAG_RPM**2 + doubt * n * n)
    return True


def _broadcast(e: Estimate, told: Told) -> bool:
    """The vehicle tells turbine speed: slip is what is seen, only gear and clutch remain to be judged."""
    assert told.turbine is not None
    turbine, rate = told.turbine
    n, tick, road = e.engine_rpm, told.tick, told.road
    e.turbine_source = "broadcast"
    jitter = (_JITTER_S * rate) ** 2 + (_JITTER_S * e.engine_accel_rpm_s) ** 2
    _slip(e, turbine, _SHAFT_VAR + jitter + (_AGE_S * (e.engine_accel_rpm_s - rate)) ** 2)
    if (road is not None and road[0] < 0.7) or (tick is not None and tick.still):
        e.regime = "neutral" if turbine > 0.3 * n + 50.0 else "stationary_in_gear"
        return True
    if road is not None and tick is not None and told.k and told.k_sd[tick.gear] and road[0] > _ROLLING_KMH:
        e.turbine_rad_per_m = None  # by the shafts, whatever gear it is called
        if tick.shifting < _SHIFTS and turbine > AT_REST_RPM:
            e.turbine_rad_per_m = turbine * RPM_TO_RAD_S / (road[0] * KMH_TO_M_S)
    e.locked_probability = told.locked
    if told.applied is not None:
        slip = abs(n - turbine)
        if told.applied > 0.5:
            closed = slip < max(_APPLIED_RPM, _APPLIED * n) * (_STAYS if told.closed else 1.0)
        else:
            closed = told.locked > _AGAINST_ITS_WORD and slip < max(_TOGETHER_RPM, _TOGETHER * n)
        e.locked_probability = 0.9 if closed else 0.05
    closed = e.locked_probability > 0.5
    return _regime(e, _shifting(tick, told.shifts), closed, turbine, told.launching)
