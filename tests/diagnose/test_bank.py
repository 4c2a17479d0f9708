"""The bank over time: windows in order, stretches that close, and what is unlearnt of them."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import BARE, VEHICLE  # it lies beside this file

from livemon.arrays import Array
from livemon.converter.curves import at
from livemon.diagnose.bank import Bank
from livemon.diagnose.diagnoser import Diagnoser
from livemon.diagnose.hypotheses import hypotheses
from livemon.diagnose.looks import idle_share
from livemon.diagnose.nuisance import State, prior
from livemon.diagnose.windows import Window, WindowMaker
from livemon.records import Estimate, Regime
from livemon.vehicle import Vehicle, curves_of

CURVES = curves_of(VEHICLE)


def new_bank() -> Bank:
    return Bank(VEHICLE, CURVES, prior(VEHICLE, CURVES), hypotheses())


def estimate(
    time_s: float,
    regime: Regime,
    gear: int,
    speed_ratio: float,
    pump_nm: float,
    rpm: float = 2000.0,
    speed_m_s: float | None = None,
    accel_m_s2: float = 0.0,
) -> Estimate:
    return Estimate(
        time_s=time_s,
        engine_rpm=rpm,
        regime=regime,
        turbine_rpm=speed_ratio * rpm,
        turbine_source="ratios",
        slip_rpm=(1.0 - speed_ratio) * rpm,
        slip_sd_rpm=5.0,
        speed_ratio=speed_ratio,
        speed_ratio_sd=0.004,
        gear=gear,
        gear_probability=0.99,
        locked_probability=1.0 if regime == "locked" else 0.0,
        road_speed_m_s=speed_m_s,
        road_accel_m_s2=accel_m_s2,
        road_accel_sd_m_s2=0.1,
        turbine_rad_per_m=VEHICLE.gear_ratios[gear - 1] * 3.4 / 0.316,
        engine_torque_nm=pump_nm + 4.0,
        pump_torque_nm=pump_nm,
        pump_torque_sd_nm=3.0,
        torque_source="reported",
    )


def window(first: Estimate, seconds: float) -> Window:
    """Of so many seconds in which nothing changes."""
    maker = WindowMaker()
    for i in range(9):
        maker.feed(replace(first, time_s=first.time_s + seconds * i / 8.0))
    done = maker.end()
    assert done is not None
    return done


def test_the_bank_gets_windows_in_time_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """Those near coupling wait until it is known what the clutch did, and those behind them wait too."""
    diagnoser = Diagnoser(VEHICLE)
    starts: list[float] = []
    monkeypatch.setattr(diagnoser.bank, "feed", lambda w, *_: starts.append(w.start_s))
    for i in range(97):  # windows of a second
        speed_ratio = 0.76 if (i - 1) // 8 % 2 else 0.80
        diagnoser.feed(estimate(0.125 * i, "pull", 3, speed_ratio, 120.0, speed_m_s=15.0, accel_m_s2=1.0))
    diagnoser.end()
    assert len(starts) > 10
    assert starts == sorted(starts)


def test_a_stretch_that_is_unlearnt_brings_no_old_hill_back() -> None:
    """Braking that nobody told teaches nothing of the hill; half a kilometre on, it is another one."""
    bank, none = new_bank(), 0
    assert bank.rows[none].finding == "none"
    for i in range(30):
        uphill = estimate(1.6 * i, "locked", 4, 0.99, 60.0, speed_m_s=20.0, accel_m_s2=0.0)
        bank.feed(window(uphill, 1.6))
    learned, learned_sd = bank.state(none, State.GRADE)
    assert learned > 0.002
    for i in range(11):
        braking = estimate(48.0 + 2.5 * i, "coast", 4, 1.2, -10.0, 1200.0, 20.0, -2.5)
        bank.feed(window(braking, 2.5), released=True)
    bank.feed(window(estimate(76.0, "launch", 1, 0.3, 120.0), 0.5))  # tells K alone, and ends the braking
    left, left_sd = bank.state(none, State.GRADE)
    assert abs(left) < 0.3 * abs(learned)
    assert left_sd > 1.15 * learned_sd


def test_another_source_of_torque_is_known_as_well_as_it_is_itself() -> None:
    """From one that is worked out to another as good, nothing is forgotten of how far torque is off."""
    bank = new_bank()
    spread = []
    for i, source in enumerate(("reported", "fuel_rate", "absolute_load")):
        bank.feed(window(replace(estimate(2.0 * i, "launch", 1, 0.5, 120.0), torque_source=source), 0.5))
        spread.append(bank.state(0, State.GAIN)[1])
    assert spread[1] > 1.3 * spread[0]
    assert spread[2] < spread[1]


def test_a_source_of_torque_that_comes_and_goes_makes_none_worse() -> None:
    bank = new_bank()
    spread = []
    for i in range(12):
        source = ("reported", "air_flow")[i % 2]
        bank.feed(window(replace(estimate(20.0 * i, "launch", 1, 0.5, 120.0), torque_source=source), 0.5))
        spread.append(bank.state(0, State.GAIN)[1])
    assert spread[1] > spread[0]
    assert spread[1:] == sorted(spread[1:], reverse=True)


def test_windows_that_had_waited_turn_no_clock_back() -> None:
    """Until the drive has shown a converter open windows wait; what drifts has drifted once."""
    launches = [window(estimate(100.0 * i, "launch", 1, 0.5, 120.0), 0.5) for i in range(3)]
    cruise = window(estimate(900.0, "locked", 4, 0.99, 60.0, speed_m_s=20.0), 1.6)
    walks = next(i for i, row in enumerate(hypotheses()) if row.walk_nm > 0.0)
    spread = []
    for order in ([*launches, cruise, cruise], [cruise, *launches, cruise]):
        bank = new_bank()
        for w in order:
            bank.feed(w)
        spread.append(bank.state(walks, State.OFFSET)[1])
    assert spread[1] < spread[0]


def test_a_look_half_believed_leaves_the_mixture_of_both(monkeypatch: pytest.MonkeyPatch) -> None:
    """Mean and variance of having learnt and of having not, by their shares [bar-shalom-2001]."""
    bank, taken = new_bank(), []
    step = bank._step

    def watched(e: Array, ph: Array, s: Array, believed: Array) -> None:
        taken.append((e[0], ph[0, State.K_SCALE], s[0], believed[0]))
        step(e, ph, s, believed)

    monkeypatch.setattr(bank, "_step", watched)
    mean, sd = bank.state(0, State.K_SCALE)
    # 45 % off, and no other cause is looked at: about as likely odd as not
    bank.feed(window(estimate(0.0, "launch", 1, 0.5, 120.0, 1.45 * at(CURVES.k, 0.5) * 120.0**0.5), 0.5))
    ((e, ph, s, share),) = taken
    learnt, variance = mean + ph * e / s, sd**2 - ph**2 / s
    mixed = mean + share * (learnt - mean)
    assert 0.05 < share < 0.95
    both = share * (variance + (learnt - mixed) ** 2) + (1.0 - share) * (sd**2 + (mean - mixed) ** 2)
    found = bank.state(0, State.K_SCALE)
    assert found[0] == pytest.approx(mixed)
    assert found[1] == pytest.approx(both**0.5, rel=1e-6)


def test_the_less_a_file_tells_the_less_is_known_of_a_lost_reaction() -> None:
    """By how much K falls is geometry: as uncertain by a full file as by an empty one."""
    full, empty = (prior(v, curves_of(v)).sd[State.K_LOST] for v in (VEHICLE, BARE))
    assert full == pytest.approx(stall_ratio_sd(VEHICLE), rel=1e-6)
    assert empty == pytest.approx(stall_ratio_sd(BARE), rel=1e-6)
    assert empty > 0.95 * full


def stall_ratio_sd(vehicle: Vehicle) -> float:
    """Of ln(K lost / K sound) at stall, by the spreads of both."""
    c = curves_of(vehicle)
    return float(((c.k_lost_sd[0] / c.k_lost[0]) ** 2 - (c.k_sd[0] / c.k[0]) ** 2) ** 0.5)


def launch_of_a_lost_stator(start_s: float, speed_ratio: float) -> Window:
    pump_nm = (2000.0 / at(CURVES.k_lost, speed_ratio)) ** 2
    return window(estimate(start_s, "launch", 1, speed_ratio, pump_nm), 0.5)


def test_a_stretch_counts_the_same_while_it_lasts_and_once_it_is_over() -> None:
    """After many launches the next counts less, also before anything else begins."""
    bank = new_bank()
    for i in range(30):
        bank.feed(launch_of_a_lost_stator(20.0 * i, 0.85))  # where losing the reaction changes little
        bank.feed(window(estimate(20.0 * i + 5.0, "coast", 2, 1.2, -10.0, 1200.0, 10.0, -0.3), 2.5))
    before = bank.log_finding()["stator_not_holding"]
    for i in range(4):
        bank.feed(launch_of_a_lost_stator(600.0 + 0.5 * i, 0.2 + 0.1 * i))
    lasting = bank.log_finding()["stator_not_holding"]
    bank.feed(window(estimate(603.0, "locked", 5, 0.99, 60.0), 1.6))  # tells the scale of speeds alone
    over = bank.log_finding()["stator_not_holding"]
    assert lasting - before > 0.3
    assert over - before == pytest.approx(lasting - before, rel=0.1)


def test_rows_of_each_finding_share_its_prior() -> None:
    total: dict[str, float] = {}
    for row in hypotheses():
        total[row.finding] = total.get(row.finding, 0.0) + row.share
    assert all(value == pytest.approx(1.0) for value in total.values())


def test_accessories_switched_on_in_mid_drive_are_no_weak_engine() -> None:
    """From the eleventh launch on a compressor takes 20 N m that the torque signal does not know of."""
    bank, time_s = new_bank(), 0.0
    weight_n = VEHICLE.mass_kg.value * 9.81

    def accel_m_s2(turbine_nm: float, e: Estimate) -> float:
        assert e.turbine_rad_per_m is not None and e.road_speed_m_s is not None
        air_n = 0.6 * VEHICLE.drag_area_m2.value * e.road_speed_m_s**2
        force_n = turbine_nm * e.turbine_rad_per_m * VEHICLE.efficiency.value - air_n
        return 9.81 * (force_n / weight_n - VEHICLE.rolling_resistance.value) / 1.05

    def feed(e: Estimate, turbine_nm: float, seconds: float) -> None:
        nonlocal time_s
        bank.feed(window(replace(e, road_accel_m_s2=accel_m_s2(turbine_nm, e)), seconds))
        time_s += seconds + 0.1

    for launch in range(24):
        taken_nm = 20.0 if launch >= 10 else 0.0
        pump_nm = (60.0, 90.0, 130.0)[launch % 3]
        for i, speed_ratio in enumerate((0.3, 0.45, 0.6)):
            rpm = at(CURVES.k, speed_ratio) * (pump_nm - taken_nm) ** 0.5
            e = estimate(time_s, "launch", 1, speed_ratio, pump_nm, rpm, speed_m_s=4.0 + 3.0 * i)
            feed(e, (pump_nm - taken_nm) * at(CURVES.tr, speed_ratio), 0.5)
        for i in range(6):
            e = estimate(time_s, "locked", 4, 0.99, 40.0 + 12.0 * i, speed_m_s=20.0)
            feed(e, 40.0 + 12.0 * i - taken_nm, 1.6)
        time_s += 10.0
    assert bank.rows[bank.best_row("none")].walk_nm > 0.0
    assert bank.log_finding()["engine_low_output"] < -10.0


@pytest.mark.parametrize("offset_nm", [20.0, -12.0])
def test_an_offset_of_the_torque_signal_is_found_at_light_load(offset_nm: float) -> None:
    """A line drawn at no offset overshoots: torque is in K by its root, and 20 N m are two thirds of 30."""
    bank, time_s = new_bank(), 0.0
    for told_nm, speed_ratio in [(30.0, 0.45), (120.0, 0.6), (45.0, 0.7), (70.0, 0.45), (30.0, 0.7)] * 12:
        rpm = at(CURVES.k, speed_ratio) * (told_nm + offset_nm) ** 0.5
        bank.feed(window(estimate(time_s, "pull", 2, speed_ratio, told_nm, rpm), 1.0))
        time_s += 10.0
    sound = bank.best_row("none")
    found_nm, sd_nm = bank.state(sound, State.OFFSET)
    found_nm += idle_share(rpm) * bank.state(sound, State.IDLE)[0]  # of one speed the two are one
    assert sd_nm < 6.0 and abs(found_nm - offset_nm) < 2.0
    assert abs(bank.state(sound, State.K_SCALE)[0]) < 0.015


def idling(time_s: float, too_much_nm: float, regime: Regime = "stationary_in_gear") -> Window:
    """A stop in gear at 750 rpm, where torque reads so much more than what the fluid takes."""
    taken_nm = 0.85 * (750.0 / CURVES.k[0]) ** 2 if regime == "stationary_in_gear" else 0.0
    stop = estimate(time_s, regime, 1, 0.0, taken_nm + too_much_nm, 750.0, 0.0)
    return window(replace(stop, torque_source="air_flow"), 5.0)


@pytest.mark.parametrize("regime", ["stationary_in_gear", "neutral"])
def test_idle_tells_where_torque_has_its_zero(regime: Regime) -> None:
    bank, none = new_bank(), 0
    cruise = replace(estimate(0.0, "locked", 4, 0.99, 60.0, speed_m_s=20.0), torque_source="air_flow")
    bank.feed(window(cruise, 1.6))  # until a source is heard it counts as reported
    before = bank.state(none, State.IDLE)[1]
    after = []
    for i in range(40):
        maker = WindowMaker()
        first = idling(60.0 * i, 20.0, regime)
        assert maker.end() is None
        bank.feed(replace(first, into_stretch_s=3.0))
        after.append(bank.state(none, State.IDLE))
    offset = after[-1][0] + bank.state(none, State.OFFSET)[0]
    assert -24.0 < offset < -10.0
    assert after[0][1] < before
    assert after[-1][1] > 0.6 * after[0][1], "what is wrong of one stop is wrong of all"


def test_torque_that_reads_too_high_at_idle_is_no_lost_stator() -> None:
    """30 N m too much at light launches: K looks as low as without reaction, until a stop tells why."""
    found = []
    for stops in (0, 1):
        bank = new_bank()
        for i in range(8):
            if stops:
                bank.feed(replace(idling(60.0 * i, 30.0), into_stretch_s=3.0))
            rpm, ratio = 1250.0, 0.3
            pump_nm = (rpm / at(CURVES.k, ratio)) ** 2 + 20.0
            launch = estimate(60.0 * i + 10.0, "launch", 1, ratio, pump_nm, rpm)
            bank.feed(window(replace(launch, torque_source="air_flow"), 0.5))
        found.append(bank.log_finding()["stator_not_holding"])
    assert found[1] < found[0] - 0.3
