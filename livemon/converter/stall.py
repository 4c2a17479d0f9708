"""Stall: where full-load engine torque meets what the pump asks, (n / K)^2; what moves it, how to read it.

Scalars only. A full load is a function engine speed [rpm] -> (torque [N m], its sd).
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, hypot, log, pi, sqrt
from typing import Final, Literal, NamedTuple

from livemon.errors import UsageError
from livemon.quantities import BAROMETER_KPA, RPM_TO_RAD_S

FullLoad = Callable[[float], tuple[float, float]]
Cause = Literal["as_expected", "engine_low_output", "stator_not_holding", "slipping"]

_IDLE_RPM: Final = 500.0


class Stall(NamedTuple):
    """A stall: all engine power goes into the fluid. slope = d ln torque / d ln speed of the engine there."""

    rpm: float
    sd_rpm: float
    torque_nm: float
    heat_kw: float
    slope: float


def stall(k0: float, k0_sd: float, full_load: FullLoad, redline_rpm: float) -> Stall:
    """Solve torque(n) = (n / k0)^2 for n in 500 rpm .. redline; k0 and torque errors independent.

    UsageError when the engine turns the pump faster than `redline_rpm`, or cannot turn it at 500 rpm.
    Source: definition of capacity factor, [sae-j643].
    """

    def excess(rpm: float) -> float:
        return full_load(rpm)[0] - (rpm / k0) ** 2

    if excess(_IDLE_RPM) <= 0.0:
        raise UsageError(
            f"an engine that stalls this converter above {_IDLE_RPM:g} rpm",
            f"K {k0:.0f} rpm/sqrt(N m) with {full_load(_IDLE_RPM)[0]:.0f} N m",
            "[converter] with [engine]",
            "check stall speed and torque",
        )
    if excess(redline_rpm) >= 0.0:
        raise UsageError(
            f"a stall speed below the engine's last speed, {redline_rpm:.0f} rpm",
            f"more torque there than the pump takes (K {k0:.0f} rpm/sqrt(N m))",
            "[converter] with [engine]",
            "check stall speed and torque, or extend engine.torque_curve",
        )
    low, high = _IDLE_RPM, redline_rpm
    while high - low > 0.01:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    rpm = 0.5 * (low + high)
    torque, torque_sd = full_load(rpm)
    slope = log(full_load(1.05 * rpm)[0] / full_load(0.95 * rpm)[0]) / log(1.05 / 0.95)
    sd = rpm * hypot(2.0 * k0_sd / k0, torque_sd / torque) / _stiffness(slope)
    return Stall(rpm, sd, torque, torque * rpm * RPM_TO_RAD_S * 1e-3, slope)


def scaled(full_load: FullLoad, factor: float, factor_sd: float = 0.0) -> FullLoad:
    """The same engine at a share of its torque."""

    def weaker(rpm: float) -> tuple[float, float]:
        torque, sd = full_load(rpm)
        return factor * torque, hypot(factor * sd, factor_sd * torque)

    return weaker


def altitude_factor(barometric_kpa: float, charged: bool, intake_c: float = 25.0) -> tuple[float, float]:
    """Share of rated full-load torque at this pressure and intake temperature, and its sd.

    Naturally aspirated: 1 / alpha of UN Regulation 85, alpha = (99 / p)^1.2 (T / 298 K)^0.6 [un-r85].
    Charged: the boost control makes up part of it, so a third of that exponent, give or take (common
    practice, no source). barometric_kpa 50..110, intake_c -40..90; else UsageError.
    """
    if not BAROMETER_KPA[0] <= barometric_kpa <= BAROMETER_KPA[1]:
        came = f"{barometric_kpa:g}"
        raise UsageError("a barometric pressure of 50 to 110 kPa", came, "--barometer", "give it in kPa")
    if not -40.0 <= intake_c <= 90.0:
        raise UsageError("intake air of -40 to 90 degC", f"{intake_c:g}", "--intake", "give it in degC")
    density = log(barometric_kpa / 99.0)
    heat = -0.6 * log((intake_c + 273.15) / 298.0)
    if not charged:
        return exp(1.2 * density + heat), 0.02
    return exp(0.4 * density + heat), 0.02 + abs(1.0 - exp(0.4 * density))


def read(measured_rpm: float, expected: Stall, lost_ratio: float, lost_ratio_sd: float) -> dict[Cause, float]:
    """How likely each cause makes a stall speed, as probabilities that sum to 1.

    lost_ratio: K with the stator free over K working, at stall. Before the test 40 % is given to a sound
    vehicle and 20 % to each fault. Faults as large as they come: engine torque down by 20 % on average,
    slip raising the speed by 15 % on average (exponential; common practice, no source). Tested against
    [heisler] table 5.3.
    """
    x = log(measured_rpm / expected.rpm)
    noise = hypot(expected.sd_rpm / expected.rpm, 0.02)  # 2 %: fluid temperature, reading, air
    torque_gain, stiffness = 1.0 / _stiffness(expected.slope), _stiffness(expected.slope)
    steps = [(i + 0.5) / 200.0 for i in range(200)]

    def mixture(mean: float, shift: Callable[[float], float], largest: float) -> float:
        total = weight_sum = 0.0
        for step in steps:
            size = largest * step
            weight = exp(-size / mean)
            weight_sum += weight
            total += weight * _normal(x - shift(size), noise)
        return total / weight_sum

    lost = 2.0 * log(lost_ratio) / stiffness
    lost_sd = 2.0 * lost_ratio_sd / lost_ratio / stiffness
    density: dict[Cause, float] = {
        "as_expected": 0.4 * _normal(x, noise),
        "engine_low_output": 0.2 * mixture(0.20, lambda d: torque_gain * log(1.0 - d), 0.9),
        "stator_not_holding": 0.2 * _normal(x - lost, hypot(noise, lost_sd)),
        "slipping": 0.2 * mixture(0.15, lambda d: d, 1.0),
    }
    total = sum(density.values())
    if total <= 0.0:  # far outside anything: the nearest tail decides
        return {cause: float(cause == ("slipping" if x > 0.0 else "stator_not_holding")) for cause in density}
    return {cause: value / total for cause, value in density.items()}


def _stiffness(slope: float) -> float:
    """d ln(pump torque - engine torque) / d ln speed: 2 for a flat torque curve, more for a falling one."""
    return max(2.0 - slope, 0.3)


def _normal(x: float, sd: float) -> float:
    return exp(-0.5 * (x / sd) ** 2) / (sd * sqrt(2.0 * pi))
