"""What a known-good drive teaches of its vehicle: tyre, K and torque ratio, each with its spread."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import hypot, log
from typing import Final

from livemon.converter.curves import at, log_slope
from livemon.converter.engine_torque import accessories, gain_sd
from livemon.estimate.learned_curve import Seen, learned, together
from livemon.estimate.lesson import Lesson, with_curve
from livemon.estimate.lesson_words import lacks, no_ratios, reaches, unlike
from livemon.estimate.locked import Locked
from livemon.quantities import AIR_DENSITY_KG_M3, RPM_TO_RAD_S, STANDARD_GRAVITY_M_S2
from livemon.records import Estimate
from livemon.vehicle import GEARBOX_KG_M2, WIND_SD_M_S, Known, Vehicle, aboard, curves_of, road_force

BIN: Final = 0.1
_TOP: Final = 0.95  # nearer to 1 a slip of a few rpm decides all
_LEAST_NM: Final = 25.0
_WIDEST_RATIO_SD: Final = 0.12  # a speed ratio known worse than so says nothing of the curve's shape
_STEEPEST: Final = 0.2  # ln K: so much the error of the speed ratio may move it
_STEADIEST_RPM_S: Final = 1500.0
_SURE_GEAR: Final = 0.9
_ODD_GEAR, _ODD_RATIO = 2, 0.7  # a higher gear that slips so much is taken wrong: a box shifts down first
# Of one stretch against another, at the least: fluid temperature, torque signal behind the pedal, hills.
_K_STRETCH_SD, _T_STRETCH_SD = 0.03, 0.05
_SAMPLE_SD: Final = 0.03
# Off all drive alike, one standard deviation. Common practice, no source; the sizes the diagnosis uses.
_FRICTION_NM_L: Final = 8.0  # a bar of mean effective pressure
_OFFSET_NM_L: Final = 3.5
_TYRE_SD: Final = 0.012  # of the speed ratio, until locked stretches have told the tyre
_TYRE_GAIN: Final = 0.9
_LEAST_LOOKS: Final = 20  # readings with the clutch applied, below which the tyre is the file's
# What is off all drive alike, in the order they are taken in.
_SLOW: Final = ("gain", "offset", "inertia", "mass", "rolling", "air", "losses", "gearbox", "tyre")


@dataclass(slots=True)
class _Sum:
    """Weighted sums of one stretch in one bin."""

    weight: float = 0.0
    ratio: float = 0.0
    k: float = 0.0
    t: float = 0.0
    k_var: float = 0.0
    t_var: float = 0.0
    slow: list[float] = field(default_factory=lambda: [0.0] * 2 * len(_SLOW))


class Learner:
    """`feed` every Estimate of a drive known to be healthy, then `lesson`."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._vehicle, self._curves = vehicle, curves_of(vehicle)
        self._sums: dict[tuple[int, int], _Sum] = {}  # (bin, stretch)
        self._stretch = 0
        self._was: tuple[str, int | None] = ("", None)
        self._reaches = reaches(_TOP)
        self._launches = 0
        self._torque = False
        litres = vehicle.displacement_l or 2.5
        self._friction_nm, self._offset_nm = _FRICTION_NM_L * litres, max(6.0, _OFFSET_NM_L * litres)
        more_kg, sd_kg = aboard(vehicle)
        self._laden = replace(vehicle, mass_kg=Known(vehicle.mass_kg.value + more_kg, sd_kg))

    def feed(self, e: Estimate) -> None:
        pump = e.pump_torque_nm
        if pump is None:
            return
        self._torque = True
        if (e.regime, e.gear) != self._was:
            self._launches += e.regime == "launch" and self._was[0] != "launch"
            self._was = (e.regime, e.gear)
            self._stretch += 1
        sr, k = e.speed_ratio, e.capacity_rpm_per_sqrt_nm
        if e.regime not in ("launch", "pull") or sr is None or k is None or not 0.0 <= sr < _TOP:
            return
        reach = next(r for r in self._reaches if sr < r.high)
        reach.seen += 1
        reach.ratio_sd += e.speed_ratio_sd
        why_not = self._take(e, pump, sr, k)
        if why_not:
            reach.left[why_not] += 1

    def _take(self, e: Estimate, pump: float, sr: float, k: float) -> str:
        """Take one estimate in, or say why not."""
        if e.brake:
            return "the brake was on"
        if e.gear is None or e.gear_probability < _SURE_GEAR or (e.gear > _ODD_GEAR and sr < _ODD_RATIO):
            return "the gear was not certain"
        if e.speed_ratio_sd > _WIDEST_RATIO_SD:
            return "the speed ratio was not known well enough"
        if pump < _LEAST_NM:
            return "there was too little torque"
        if abs(e.engine_accel_rpm_s) > _STEADIEST_RPM_S:
            return "engine speed changed too fast"
        c, per_m, v = self._curves, e.turbine_rad_per_m, e.road_speed_m_s
        if per_m is None or v is None or e.torque_ratio is None:
            return "the gear was not certain"
        k_slope, t_slope = log_slope(c.k, sr), log_slope(c.tr, sr)
        if abs(k_slope) * e.speed_ratio_sd > _STEEPEST:
            return "the speed ratio was not known well enough"
        body = self._laden
        rolling, air, inert = pushes = road_force(body, v, e.road_accel_m_s2, per_m)
        force = sum(pushes)
        tr = force / (per_m * body.efficiency.value * pump)
        if tr < 0.3:
            return "a hill or the brakes took part"
        s = self._sums.setdefault((int(sr / BIN), self._stretch), _Sum())
        pump_share = e.pump_torque_sd_nm / pump
        k_var = _SAMPLE_SD**2 + (0.5 * pump_share) ** 2 + (k_slope * e.speed_ratio_sd) ** 2
        t_var = _SAMPLE_SD**2 + (e.torque_ratio_sd / tr) ** 2 + (t_slope * e.speed_ratio_sd) ** 2
        w = 1.0 / k_var
        s.weight += w
        s.ratio += w * sr
        s.k += w * log(k / at(c.k, sr))
        s.t += w * log(tr / at(c.tr, sr))
        s.k_var += w * k_var
        s.t_var += w * t_var
        gain = gain_sd(e.torque_source)
        indicated = max((e.engine_torque_nm or pump) + self._friction_nm, 0.0)
        offset_nm = hypot(self._offset_nm, accessories(e.engine_rpm, body.displacement_l).bias_sd_nm)
        turning_nm = body.inertia_kg_m2.sd * e.engine_accel_rpm_s * RPM_TO_RAD_S
        area, mass = body.drag_area_m2, body.mass_kg
        air_n = air * area.sd / area.value
        wind_n = AIR_DENSITY_KG_M3 * area.value * v * WIND_SD_M_S
        gearbox_n = GEARBOX_KG_M2.sd * per_m * per_m * e.road_accel_m_s2
        effects = (  # of one standard deviation, on ln K and ln torque ratio; in the order of _SLOW
            (-0.5 * gain * indicated / pump, -gain * indicated / pump),
            (-0.5 * offset_nm / pump, -offset_nm / pump),
            (-0.5 * turning_nm / pump, -turning_nm / pump),
            (0.0, -mass.sd / mass.value * (inert + rolling) / force),
            (0.0, -body.rolling_resistance.sd * mass.value * STANDARD_GRAVITY_M_S2 / force),
            (0.0, -hypot(air_n, wind_n) / force),
            (0.0, body.efficiency.sd / body.efficiency.value),
            (0.0, -gearbox_n / force),
            (-k_slope * sr * _TYRE_SD, -t_slope * sr * _TYRE_SD),
        )
        for i, (in_k, in_t) in enumerate(effects):
            s.slow[2 * i] += w * in_k
            s.slow[2 * i + 1] += w * in_t
        return ""

    def lesson(self, calibration: Locked, found_rpm_per_kmh: list[float]) -> Lesson:
        """Everything learned. calibration and ratios as the Estimator ended with them."""
        points = learned(self._curves, self._bins())
        missing = []
        if not self._vehicle.gear_ratios:
            missing.append(no_ratios(found_rpm_per_kmh))
        if not self._torque:
            missing.append("engine torque, air flow or absolute load from the vehicle")
        else:
            missing += lacks(points, self._reaches, self._launches)
            missing += [] if missing else unlike(points, self._curves)
        vehicle, curve_why = with_curve(self._vehicle, points)
        radius, share = self._vehicle.tyre_radius_m, calibration.scale_sd
        tyre_sd, tyre_why = None, ""
        if radius is None:
            tyre_why = "no tyre size or radius there to put right"
        elif calibration.looks < _LEAST_LOOKS:
            tyre_why = (
                f"{calibration.looks} speed readings with the converter clutch certainly applied, "
                f"{_LEAST_LOOKS} needed"
            )
        elif share >= _TYRE_GAIN * radius.sd / radius.value:
            tyre_why = f"the drive tells it to {100.0 * share:.1f} %, hardly better than the file"
        else:
            value = radius.value / calibration.scale
            tyre_sd = value * share
            vehicle = replace(vehicle, tyre=None, tyre_radius_m=Known(value, tyre_sd))
        return Lesson(vehicle, points, tyre_sd, tyre_why, curve_why, missing)

    def _bins(self) -> list[Seen]:
        bins: list[Seen] = []
        for at_bin in sorted({b for b, _ in self._sums}):
            own = [s for (b, _), s in self._sums.items() if b == at_bin]
            weight = sum(s.weight for s in own)
            k = together([(s.k / s.weight, s.k_var / s.weight) for s in own], _K_STRETCH_SD)
            t = together([(s.t / s.weight, s.t_var / s.weight) for s in own], _T_STRETCH_SD)
            slow = [sum(s.slow[j] for s in own) / weight for j in range(2 * len(_SLOW))]
            ratio = sum(s.ratio for s in own) / weight
            bins.append(Seen(ratio, *k, *t, tuple(zip(slow[::2], slow[1::2], strict=True))))
        return bins
