"""Engine torque at the flywheel from what the control unit reports, each with how wrong it may be.

Scalars only and no numpy: called once per reading. Four ways, best first: reported torque, fuel rate
(diesel) or air flow, absolute load, calculated load and the rating. `bias_sd_nm` is the slow error, the same
all through a drive and so never averaged away; `scatter_sd_nm` is what differs from one reading to the next.
Converter and engine meet here: pump torque = engine torque - accessories - inertia x acceleration.
"""

from __future__ import annotations

from math import hypot, pi, sqrt
from typing import Final, NamedTuple

from livemon.quantities import RPM_TO_RAD_S

# SAE J1979 absolute load: the air an intake stroke would take at 1.184 g/L (25 degC, 101.325 kPa) is 100 %.
STROKE_AIR_G_L: Final = 1.184  # [sae-j1979] PID 43

FRICTION_PCT: Final = 10.0  # of reference torque, when friction (PID 8E, SPN 514) is not answered
FRICTION_PCT_SD: Final = 4.0  # common practice, no source: 6-15 % warm, 13 % in the J1939 example of SPN 514
_MODEL_SHARE_SD: Final = 0.06  # a control unit's torque model, share of indicated torque: common practice
_PERCENT_SD: Final = 1.0 / sqrt(12.0)  # reported in whole percent of the reference

# Petrol, stoichiometric: lower heating value 43 MJ/kg, 14.7 kg air per kg fuel, indicated efficiency 0.385
# (0.36-0.40 warm [heywood], from memory).
_PETROL_J_PER_G_AIR: Final = 43.0e3 / 14.7 * 0.385
_PETROL_BAR: Final = 0.01 * STROKE_AIR_G_L * _PETROL_J_PER_G_AIR  # indicated, of cylinders just full: 13 bar
_PETROL_SHARE_SD: Final = 0.08  # spark, knock, enrichment, flow meter ageing
# Diesel: 42.7 MJ/kg, 0.835 kg/L, indicated efficiency 0.44 (0.40-0.48 [heywood], from memory).
_DIESEL_J_PER_ML: Final = 42.7e3 * 0.835 * 0.44
_PETROL_J_PER_ML: Final = 43.0e3 * 0.745 * 0.385
_DIESEL_J_PER_G_AIR: Final = 42.7e3 / 30.0 * 0.44  # air/fuel 17 at full load to 60 and more at light load
_DIESEL_SHARE_SD: Final = 0.5
_USUAL_DISPLACEMENT_L: Final = (2.5, 1.2)

# Off by a factor a whole drive long. Torque from PIDs 62, 63 and 8E is a model inside the control unit: a few
# per cent between engines of one type. Air flow and absolute load pass through an assumed efficiency as well,
# calculated load through the rating and through what each control takes for full load.
# Common practice, no source.
GAIN_SD: Final = {"reported": 0.06, "air_flow": 0.12, "absolute_load": 0.15, "calculated_load": 0.17}
_OTHER_GAIN_SD: Final = 0.15


def gain_sd(source: str) -> float:
    """How far torque from this source is off by a factor, one standard deviation."""
    return GAIN_SD.get(source, _OTHER_GAIN_SD)


class Torque(NamedTuple):
    """Torque [N m] with one standard deviation of its slow error and of its scatter."""

    nm: float
    bias_sd_nm: float
    scatter_sd_nm: float


def from_reported(actual_pct: float, reference_nm: float, friction_pct: float | None = None) -> Torque:
    """Net torque from PIDs 62, 63 and 8E, or J1939 SPN 513, 544 and 514.

    The reported percentage is indicated torque over reference torque, so net = (actual - friction) x
    reference. Friction unknown: 10 +- 4 % of reference, all bias. actual_pct -125..130, reference_nm > 0.
    Bias: 6 % of indicated torque for the control unit's model; scatter: rounding to whole percent and 2 %.
    Source: [sae-j1979] PIDs 62, 63, 8E; [sae-j1939-71]; sizes of the errors are common practice, no source.
    """
    known = friction_pct is not None
    lost = friction_pct if friction_pct is not None else FRICTION_PCT
    per_pct = 0.01 * reference_nm
    return Torque(
        (actual_pct - lost) * per_pct,
        hypot(_MODEL_SHARE_SD * actual_pct, 1.5 if known else FRICTION_PCT_SD) * per_pct,
        hypot(0.02 * actual_pct, _PERCENT_SD) * per_pct,
    )


def from_air_flow(
    air_g_s: float, engine_rpm: float, displacement_l: float | None = None, fuel: str | None = "petrol"
) -> Torque:
    """Net torque from mass air flow (PID 10).

    Petrol burns all the air it takes at about 14.7:1, so air flow fixes the indicated power; friction and
    throttling come off it. Bias 8 % of indicated torque and 0.3 bar of mean effective pressure; scatter 4 %
    (the flow meter leads the cylinder by the filling of the manifold). A diesel takes air whatever the fuel,
    so its air flow says little: bias 50 %. fuel None: petrol with twice the bias.
    air_g_s >= 0, engine_rpm > 0. Source: [heywood] (indicated efficiency, friction); scatter common practice.
    """
    omega = engine_rpm * RPM_TO_RAD_S
    diesel = fuel == "diesel"
    indicated = air_g_s * (_DIESEL_J_PER_G_AIR if diesel else _PETROL_J_PER_G_AIR) / omega
    share = _DIESEL_SHARE_SD if diesel else _PETROL_SHARE_SD * (1.0 if fuel else 2.0)
    litres = displacement_l or _USUAL_DISPLACEMENT_L[0]
    filling = air_g_s * 120.0 / (engine_rpm * STROKE_AIR_G_L * litres)
    lost_bar = friction_bar(engine_rpm) + (0.0 if diesel else max(0.0, 1.0 - filling / 0.9))
    return _net(indicated, share, 0.04, lost_bar, litres, displacement_l is not None)


def from_fuel_rate(
    fuel_l_h: float, engine_rpm: float, displacement_l: float | None = None, fuel: str | None = "diesel"
) -> Torque:
    """Net torque from fuel rate (PID 5E): what air flow cannot say of a diesel.

    Bias 8 % of indicated torque and 0.3 bar; scatter 5 %: the reported rate is smoothed.
    fuel_l_h >= 0, engine_rpm > 0. Source: [heywood] efficiencies, from memory; scatter common practice.
    """
    energy = _PETROL_J_PER_ML if fuel == "petrol" else _DIESEL_J_PER_ML
    indicated = fuel_l_h / 3.6 * energy / (engine_rpm * RPM_TO_RAD_S)
    litres = displacement_l or _USUAL_DISPLACEMENT_L[0]
    return _net(indicated, 0.08, 0.05, friction_bar(engine_rpm), litres, displacement_l is not None)


def from_absolute_load(
    load_pct: float, engine_rpm: float, displacement_l: float, fuel: str | None = "petrol"
) -> Torque:
    """Net torque from absolute load (PID 43): air an intake stroke takes over 1.184 g/L x displacement.

    The air flow follows by counting strokes (one in two revolutions), then as from_air_flow.
    load_pct >= 0 (above 100 when charged), engine_rpm > 0. Source: [sae-j1979] PID 43.
    """
    return from_air_flow(
        air_flow_of_load(load_pct, engine_rpm, displacement_l), engine_rpm, displacement_l, fuel
    )


def from_calculated_load(
    load_pct: float,
    engine_rpm: float,
    full_nm: float,
    displacement_l: float | None = None,
    fuel: str | None = "petrol",
    air_share: float = 1.0,
) -> Torque:
    """Net torque from calculated load (PID 04), which every vehicle answers, and the rating at this speed.

    Petrol: air flow over the most at this speed and this density, `air_share` of that at sea level; diesel:
    fuel flow likewise. Full load is full_nm and friction. Bias 15 % of indicated torque; scatter 5 %.
    load_pct 0..100, engine_rpm > 0, full_nm > 0. Source: [sae-j1979] PID 04; sizes of errors common practice.
    """
    litres = displacement_l or _USUAL_DISPLACEMENT_L[0]
    friction = friction_bar(engine_rpm)
    full_bar = full_nm / _per_bar_nm(litres) + friction
    diesel = fuel == "diesel"
    indicated_bar = 0.01 * load_pct * full_bar * (1.0 if diesel else air_share)
    filling = indicated_bar / _PETROL_BAR
    lost_bar = friction + (0.0 if diesel else max(0.0, 1.0 - filling / 0.9))
    indicated = indicated_bar * _per_bar_nm(litres)
    return _net(indicated, 0.15, 0.05, lost_bar, litres, displacement_l is not None)


def air_flow_of_load(load_pct: float, engine_rpm: float, displacement_l: float) -> float:
    """Air flow [g/s] absolute load stands for. Source: [sae-j1979] PID 43, four-stroke engine."""
    return 0.01 * load_pct * STROKE_AIR_G_L * displacement_l * engine_rpm / 120.0


def friction_bar(engine_rpm: float) -> float:
    """Friction mean effective pressure [bar] of a warm engine: three quarters of 0.97 + 0.15 n + 0.05 n^2,
    n in 1000/min. Source: [heywood] (petrol engines of the 1980s, from memory); the quarter off is ours."""
    n = 0.001 * engine_rpm
    return 0.75 * (0.97 + 0.15 * n + 0.05 * n * n)


def accessories(engine_rpm: float, displacement_l: float | None = None) -> Torque:
    """What alternator, steering, compressor and the gearbox oil pump take before the converter [N m].

    4 N m and 1 kW for a 2.5-litre engine, in proportion to displacement; bias 60 % (a compressor more or
    less), no scatter. engine_rpm > 0. Common practice, no source.
    """
    size = (displacement_l or _USUAL_DISPLACEMENT_L[0]) / _USUAL_DISPLACEMENT_L[0]
    nm = size * (4.0 + 1000.0 / (max(engine_rpm, 500.0) * RPM_TO_RAD_S))
    return Torque(nm, 0.6 * nm, 0.0)


def pump_torque_nm(
    engine_nm: float, accessories_nm: float, inertia_kg_m2: float, engine_accel_rpm_s: float
) -> float:
    """Torque [N m] into the pump: what is left when accessories and the engine's own inertia are served."""
    return engine_nm - accessories_nm - inertia_kg_m2 * engine_accel_rpm_s * RPM_TO_RAD_S


def _per_bar_nm(litres: float) -> float:
    """Torque [N m] of 1 bar of mean effective pressure, four-stroke engine."""
    return 1e5 * 1e-3 * litres / (4.0 * pi)


def _net(
    indicated: float, share_sd: float, scatter: float, lost_bar: float, litres: float, size_known: bool
) -> Torque:
    """Indicated torque less `lost_bar` of mean effective pressure on `litres` (torque = p V / 4 pi)."""
    per_bar = _per_bar_nm(litres)
    lost = lost_bar * per_bar
    unsized = 0.0 if size_known else lost * _USUAL_DISPLACEMENT_L[1] / _USUAL_DISPLACEMENT_L[0]
    bias = sqrt((share_sd * indicated) ** 2 + (0.3 * per_bar) ** 2 + unsized**2)
    return Torque(indicated - lost, bias, scatter * indicated + 0.03 * per_bar)
