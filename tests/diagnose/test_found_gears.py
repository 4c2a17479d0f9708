"""Slip by ratios that were found in the drive: told by how it goes with torque, whatever they are off by."""

from __future__ import annotations

import sys
from dataclasses import replace
from math import log
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import VEHICLE  # it lies beside this file
from test_lockup import CURVES, open_slip, window

from livemon.diagnose.found_gears import FoundGears
from livemon.diagnose.lockup import LockupWatch
from livemon.diagnose.slip_rows import FOUND_SCALE_SD, Nuisance, SlipRows
from livemon.diagnose.slip_seen import slip_of
from livemon.diagnose.windows import Window

BARE = replace(VEHICLE, gear_ratios=())
TORQUES_NM = (60.0, 90.0, 120.0, 150.0, 180.0)


def found(w: Window, off: float, gear: int = 5, rad_per_m: float = 8.0) -> Window:
    """The same window by a ratio that is `off` by so much, as a share."""
    turbine_rpm = w.turbine_rpm
    assert turbine_rpm is not None
    return replace(
        w,
        gear=gear,
        turbine_source="found",
        found_rpm=turbine_rpm * (1.0 + off),
        geared_sd_rpm=10.0,
        turbine_rad_per_m=rad_per_m * (1.0 + off),
    )


def evidence(slip_rpm: dict[float, float], off: float) -> tuple[float, float, float]:
    """Of cruises at each torque with this slip, in two gears by turns, by ratios that are `off`."""
    clutch, t = LockupWatch(BARE, CURVES, 240.0, 6), 0.0
    for turn in range(8):
        for torque_nm, slip in slip_rpm.items():
            clutch.feed(found(window(t, slip, torque_nm), off, 5 + turn % 2, (8.0, 5.8)[turn % 2]))
            t += 1.7
        clutch.feed(window(t, 0.0, 0.0, "shift"))
        t += 5.0
    return clutch.log_evidence()


@pytest.mark.parametrize("off", [0.0, 0.02, 0.04])
def test_a_converter_that_always_slips_as_it_would_open_is_never_on(off: float) -> None:
    """Its slip is part of the ratio found: up to all that it slips at the lightest load."""
    slips, never, gear = evidence({nm: open_slip(nm) for nm in TORQUES_NM}, off)
    assert never > 2.0 and never > slips and gear <= 0.0


@pytest.mark.parametrize("off", [-0.02, 0.0, 0.02])
def test_slip_that_torque_does_not_change_is_no_fault(off: float) -> None:
    slips, never, gear = evidence(dict.fromkeys(TORQUES_NM, 25.0), off)
    assert slips < 0.0 and never < -2.0 and gear == 0.0


def test_a_clutch_that_gives_way_under_load_is_no_sound_one() -> None:
    """It holds 80 N m, the fluid carries the rest. One never on, its slip part of the ratio, looks alike."""
    slip_rpm = {nm: open_slip(nm - 80.0) if nm > 80.0 else 10.0 for nm in TORQUES_NM}
    assert max(evidence(slip_rpm, 0.01)) > 2.0


def test_a_gear_keeps_its_number_and_its_first_ratio_as_fits_move() -> None:
    gears, w = FoundGears(), window(0.0, 50.0, 100.0)
    assert not gears.any
    for off, name in ((0.0, 4), (0.015, 5), (-0.02, 3)):  # the same gear, by other fits and other names
        seen = slip_of(found(w, off, name))
        assert seen is not None and seen.rpm == pytest.approx(2600.0 - 2550.0 * (1.0 + off))
        gear, seen = gears.seen(found(w, off, name), seen)
        assert gear == 0 and seen.rpm == pytest.approx(50.0)
    other = slip_of(w)
    assert other is not None and gears.any
    assert gears.seen(found(w, 0.0, 4, 11.0), other)[0] == 1
    assert gears.seen(found(w, 0.01, 4), other)[0] == 0


def test_each_gear_has_its_own_scale_and_what_was_learned_of_one_comes_back() -> None:
    rows = SlipRows(CURVES, 240.0, None, 6, FOUND_SCALE_SD)
    share = np.exp(rows._ln_begins)
    scale = rows.x[:, Nuisance.SCALE].reshape(-1, rows.causes)
    variance = rows.p[:, Nuisance.SCALE, Nuisance.SCALE].reshape(-1, rows.causes)
    assert np.sqrt((share * (variance + scale**2)).sum(0)) == pytest.approx(FOUND_SCALE_SD)
    for _ in range(30):
        rows.at_rest(2500.0, 75.0, 10.0)
    learned, sd = rows.x[rows.sound, Nuisance.SCALE], rows.p[rows.sound, 0, 0] ** 0.5
    assert learned == pytest.approx(0.03, abs=2.0 * sd) and sd < 0.005
    rows.in_gear(1)
    assert rows.p[rows.sound, 0, 0] > 20.0 * sd**2 and abs(rows.x[rows.sound, 0]) > log(1.01)
    assert not rows.p[rows.sound, 0, 1:].any()
    rows.in_gear(0)
    assert rows.x[rows.sound, Nuisance.SCALE] == pytest.approx(learned)
    assert rows.p[rows.sound, 0, 0] == pytest.approx(sd**2)
