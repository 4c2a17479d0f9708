"""Slip of the converter clutch: held, worn, never on, or a gear of the box that slips in its place."""

from __future__ import annotations

import csv
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import VEHICLE  # it lies beside this file

from livemon.converter.curves import at
from livemon.diagnose.clutch_bit import ClutchBit
from livemon.diagnose.lockup import LockupWatch
from livemon.diagnose.lockup_sums import Sums, mean_slip_rpm
from livemon.diagnose.slip_rows import Nuisance, SlipRows
from livemon.diagnose.windows import Window, WindowMaker
from livemon.records import Estimate, Regime
from livemon.vehicle import curves_of

CURVES = curves_of(VEHICLE)
VECTORS = Path(__file__).parents[1] / "vectors" / "tcc_monitor_limits.csv"


def window(
    start_s: float, slip_rpm: float, torque_nm: float, regime: Regime = "pull", rpm: float = 2600.0
) -> Window:
    """The last of a second and a half of steady cruise in fifth."""
    maker = WindowMaker()
    for i in range(16):
        maker.feed(
            Estimate(
                time_s=start_s + 0.1 * i,
                engine_rpm=rpm,
                regime=regime,
                turbine_rpm=rpm - slip_rpm,
                turbine_sd_rpm=10.0,
                slip_rpm=slip_rpm,
                slip_sd_rpm=10.0,
                speed_ratio=1.0 - slip_rpm / rpm,
                speed_ratio_sd=0.005,
                gear=5,
                gear_probability=0.99,
                locked_probability=0.9 if regime == "locked" else 0.1,
                road_speed_m_s=26.0,
                road_speed_sd_m_s=0.1,
                turbine_rad_per_m=8.0,
                engine_torque_nm=torque_nm + 4.0,
                pump_torque_nm=torque_nm,
                pump_torque_sd_nm=4.0,
                torque_source="reported",
                pedal_pct=20.0,
            )
        )
    done = maker.end()
    assert done is not None
    return done


def open_slip(torque_nm: float, rpm: float = 2600.0) -> float:
    """Slip of the open converter that carries this torque [rpm]."""
    ratio = max(i / 1000 for i in range(500, 990) if (rpm / at(CURVES.k, i / 1000)) ** 2 >= torque_nm)
    return rpm * (1.0 - ratio)


def knowing_the_converter() -> LockupWatch:
    """A watch that has seen first gear, where every converter clutch is open."""
    clutch = LockupWatch(VEHICLE, CURVES, 240.0, 6)
    for i, torque_nm in enumerate((50.0, 70.0, 90.0, 110.0, 130.0, 150.0) * 4):
        clutch.feed(replace(window(1.7 * i - 60.0, open_slip(torque_nm), torque_nm), gear=1))
    return clutch


def clutch_after(
    slips: list[tuple[float, float]],
    regime: Regime = "pull",
    stretches: int = 5,
    gears: tuple[int, ...] = (5,),
) -> LockupWatch:
    """The watch after cruises of these (slip, torque), one gear after the other."""
    clutch = knowing_the_converter()
    start_s = 0.0
    for i in range(stretches):
        for slip_rpm, torque_nm in slips:
            w = window(start_s, slip_rpm, torque_nm, regime)
            clutch.feed(replace(w, gear=gears[i % len(gears)]))
            start_s += 1.7
        clutch.feed(window(start_s, 0.0, 0.0, "shift"))
        start_s += 5.0
    return clutch


def watch(
    slips: list[tuple[float, float]], regime: Regime = "pull", stretches: int = 5
) -> tuple[float, float]:
    """Log evidence of (slips, never on) after cruises of these (slip, torque)."""
    slips_, never, _ = clutch_after(slips, regime, stretches).log_evidence()
    return slips_, never


def test_controlled_slip_of_a_few_tens_of_rpm_is_sound() -> None:
    slips, never = watch([(30.0, 70.0), (35.0, 90.0), (28.0, 110.0)] * 4)
    assert slips < -1.0 and never < -1.0


def test_slip_that_grows_with_load_is_a_slipping_clutch() -> None:
    held = 30.0  # N m the clutch still holds: the fluid carries the rest at the slip K says
    slips, never = watch([(open_slip(t - held), t) for t in (60.0, 80.0, 100.0, 120.0)] * 3, stretches=10)
    assert slips > 3.0 and slips > never


def test_open_converter_in_steady_cruise_is_a_clutch_that_never_comes_on() -> None:
    slips, never = watch([(open_slip(t), t) for t in (60.0, 80.0, 100.0, 120.0)] * 3, stretches=10)
    assert never > 3.0 and never > slips


def test_an_open_clutch_in_third_is_no_clutch_that_never_comes_on() -> None:
    """Boxes that close it from fourth, or in top gear only, are sound."""
    loads = [(open_slip(t), t) for t in (60.0, 80.0, 100.0, 120.0)] * 3
    _, never, _ = clutch_after(loads, stretches=10, gears=(3,)).log_evidence()
    assert never < 2.0


def test_a_gear_misread_for_moments_does_not_hide_that_the_clutch_never_comes_on() -> None:
    """Open in fifth, at a load that slips by the step to fourth, it looks like fourth and a clutch that
    holds; as the load changes it is in fifth again, where it had been."""
    step_rpm = 2600.0 * (1.0 - VEHICLE.gear_ratios[4] / VEHICLE.gear_ratios[3])
    loads = [(open_slip(t), t) for t in (60.0, 80.0, 100.0, 120.0)] * 3
    alike_nm = next(float(t) for t in range(60, 400) if open_slip(float(t)) > step_rpm)
    clutch, start_s = knowing_the_converter(), 0.0

    def cruise(gear: int, slip_rpm: float, torque_nm: float, regime: Regime) -> None:
        nonlocal start_s
        w = window(start_s, slip_rpm, torque_nm, regime)
        clutch.feed(replace(w, gear=gear, geared_rpm=2600.0 - slip_rpm, geared_sd_rpm=15.0))
        start_s += 1.7

    for _ in range(10):
        for slip_rpm, torque_nm in loads:
            cruise(5, slip_rpm, torque_nm, "pull")
        cruise(4, 0.0, alike_nm, "locked")
    _, never, _ = clutch.log_evidence()
    assert never > 2.0


@pytest.mark.parametrize(("held", "off"), [(30.0, 0.0), (40.0, -10.0)])
def test_a_worn_clutch_that_the_estimate_calls_open_is_still_worn(held: float, off: float) -> None:
    """However often: the estimate goes by slip. `off`: N m by which the torque signal reads too high."""
    loads = [(open_slip(t - held - off), t) for t in (80.0, 100.0, 130.0, 170.0)] * 3
    slips, never = watch(loads, stretches=30)
    assert slips > 3.0 and slips > never


@pytest.mark.parametrize("fast", [-0.02, 0.02])
def test_a_speedometer_that_is_off_does_not_hide_that_the_clutch_never_comes_on(fast: float) -> None:
    """Turbine speed by road speed is off by a share all drive long: that is paid for once."""
    slips, never = watch(
        [(open_slip(t) - fast * (2600.0 - open_slip(t)), t) for t in (60.0, 90.0, 130.0, 170.0)] * 3,
        stretches=20,
    )
    assert never > 3.0 and never > slips


def test_a_clutch_let_slip_in_some_gears_and_closed_in_others_is_sound() -> None:
    clutch = LockupWatch(replace(VEHICLE, lockup_slip_target_rpm=45.0), CURVES, 240.0, 6)
    for i in range(20):
        gear, slip_rpm = ((4, 45.0), (6, 0.0))[i % 2]
        for j, torque_nm in enumerate((60.0, 80.0, 100.0, 120.0) * 2):
            w = window(20.0 * i + 1.7 * j, slip_rpm, torque_nm)
            clutch.feed(replace(w, gear=gear))
        clutch.feed(window(20.0 * i + 15.0, 0.0, 0.0, "shift"))
    slips, never, _ = clutch.log_evidence()
    assert max(slips, never) < -1.0


def test_slip_in_one_gear_only_is_that_gear() -> None:
    clutch = knowing_the_converter()
    for i in range(12):
        gear = (3, 4, 5)[i % 3]
        for j in range(6):
            slip_rpm, torque_nm = (450.0 if gear == 4 else 25.0), 80.0 + 10.0 * j
            w = window(20.0 * i + 1.7 * j, slip_rpm, torque_nm)
            clutch.feed(replace(w, gear=gear))
        clutch.feed(window(20.0 * i + 12.0, 0.0, 0.0, "shift"))
    slips, never, gear_slips = clutch.log_evidence()
    assert gear_slips > 4.0 and gear_slips > max(slips, never) and clutch.slipping_gears == (4,)


def test_a_worn_clutch_is_known_by_the_load_it_cannot_hold() -> None:
    """What its rows gain in other windows, by what they did not learn, is no evidence by itself."""
    clutch = LockupWatch(VEHICLE, CURVES, 240.0, 6)
    elsewhere = np.zeros(clutch._rows.count)
    elsewhere[clutch._rows.worn] = 6.0
    clutch._ledger.add(elsewhere)
    clutch._ledger.settle()
    assert clutch.log_evidence()[0] < 0.1
    clutch._own_worn[:] = 2.0
    clutch._judged = None
    assert 2.0 < clutch.log_evidence()[0] < 4.1


def test_slip_in_every_gear_alike_is_not_that_of_one_gear() -> None:
    """A row that learnt nothing in its own gear may fit the others better: no evidence by itself."""
    clutch = knowing_the_converter()
    for i in range(12):
        for j in range(6):
            w = window(20.0 * i + 1.7 * j, 450.0 + 2.0 * j, 80.0 + 10.0 * j)
            clutch.feed(replace(w, gear=(2, 3, 4)[i % 3]))
        clutch.feed(window(20.0 * i + 12.0, 0.0, 0.0, "shift"))
    assert clutch.log_evidence()[2] < 3.0


@pytest.mark.parametrize(
    "row", list(csv.DictReader(line for line in VECTORS.read_text().splitlines() if not line.startswith("#")))
)
def test_published_monitor_limits_are_not_called_sound(row: dict[str, str]) -> None:
    """What the monitors of three makers set a code for, seen again and again, is not sound here either."""
    slip = float(row["slip_rpm"]) * 1.25
    slips, never = watch([(slip, 110.0), (slip * 1.1, 130.0), (slip * 0.9, 100.0)] * 5, "locked")
    assert max(slips, never) > 0.5


def test_each_cause_begins_with_several_tyres_that_together_are_the_prior() -> None:
    rows = SlipRows(CURVES, 240.0, None, 6)
    scale = rows.x[:, Nuisance.SCALE].reshape(-1, rows.causes)
    variance = rows.p[:, Nuisance.SCALE, Nuisance.SCALE].reshape(-1, rows.causes)
    share = np.exp(rows._ln_begins)
    assert share.sum() == pytest.approx(1.0)
    assert (share * scale).sum(0) == pytest.approx(0.0, abs=1e-12)
    assert np.sqrt((share * (variance + scale**2)).sum(0)) == pytest.approx(0.015)
    likelihood = np.zeros(rows.count)
    assert rows.of_causes(likelihood) == pytest.approx(0.0)
    likelihood[rows.never + 2 * rows.causes] = 9.0
    assert rows.likeliest(likelihood, rows.never) == rows.never + 2 * rows.causes
    assert rows.of_causes(likelihood)[rows.never] == pytest.approx(9.0 + np.log(0.27), abs=0.01)
    rows.know_scale(0.003)
    known = np.sqrt((share * (rows.p[:, 0, 0] + rows.x[:, 0] ** 2).reshape(-1, rows.causes)).sum(0))
    assert known == pytest.approx(0.003)


def test_a_clutch_that_comes_on_is_no_clutch_that_slips() -> None:
    """One window of ramp between open and closed, each time."""
    sums = Sums(240.0)
    for turn in range(10):
        t = 20.0 * turn
        for i, slip_rpm in enumerate((300.0, 300.0, 140.0, 4.0, 4.0, 4.0)):
            w = window(t + 2.0 * i, slip_rpm, 100.0)
            sums.count(w, 100.0, 0.9 if slip_rpm == 140.0 else 0.0, slip_rpm == 300.0, t - 10.0, None)
    assert sums.totals.applied_s == pytest.approx(10 * 3 * 0.5, rel=0.02)
    assert sums.totals.slipping_s == 0.0 and mean_slip_rpm(sums.by_gear) == pytest.approx(4.0)


def test_slip_under_load_is_counted_apart() -> None:
    sums = Sums(240.0)
    for i in range(20):
        torque = 150.0 if i % 2 else 30.0
        sums.count(window(2.0 * i, 120.0, torque), torque, 0.95, False, -10.0, None)
    assert sums.totals.slipping_s == pytest.approx(2.0 * sums.totals.slipping_loaded_s)


@pytest.mark.parametrize("shown", [False, True])
def test_what_a_control_calls_released_is_not_counted_as_applied(shown: bool) -> None:
    """From the first moment on, before it has said anything else; not if both turned as one meanwhile."""
    watch = LockupWatch(VEHICLE, CURVES, 240.0, 6)
    if shown:
        for i in range(40):
            still = window(2.0 * i, 0.0, 60.0, "locked")
            watch.feed(replace(still, clutch_applied=False, turbine_source="broadcast"))
    for i in range(40, 60):
        watch.feed(
            replace(window(2.0 * i, 30.0 + i, 100.0), clutch_applied=False, turbine_source="broadcast")
        )
    assert (watch.totals.applied_s > 10.0) == shown


def test_a_bit_is_contradicted_by_what_turns_as_one() -> None:
    bit = ClutchBit()
    assert not bit.contradicted
    for i in range(20):
        bit.feed(
            replace(window(2.0 * i, 0.0, 60.0, "locked"), clutch_applied=False, turbine_source="broadcast")
        )
    assert bit.contradicted and not bit.believed
