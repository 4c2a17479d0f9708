"""The one loop: what is heard in a drive reaches the stage that weighs it."""

from __future__ import annotations

from livemon.obd.decode import Decoder
from livemon.records import Frame, Reading
from livemon.run import Run
from livemon.vehicle import Vehicle


def answer(time_s: float, service: int, *codes: str) -> Frame:
    """One control unit's trouble codes in a single frame."""
    payload = bytes([service + 0x40, len(codes), *(b for code in codes for b in bytes.fromhex(code))])
    return Frame(time_s, 0x7E8, False, bytes([len(payload)]) + payload.ljust(7, b"\0"))


def test_codes_that_change_in_a_drive_are_heard_again() -> None:
    run = Run("test", Decoder(), Vehicle())
    run.feed(answer(1.0, 0x07, "0741"))
    run.snapshot()
    pending = run.diagnoser.codes.log_evidence()["lockup_slip"]
    run.feed(answer(2.0, 0x03, "0741"))
    run.feed(answer(2.1, 0x07))
    run.snapshot()
    assert run.diagnoser.codes.log_evidence()["lockup_slip"] > pending
    run.feed(answer(3.0, 0x03, "0731"))
    run.snapshot()
    assert "P0731" in run.diagnoser.codes.bearing_on("gear_slip")


def test_control_units_without_a_code_have_been_read() -> None:
    run = Run("test", Decoder(), Vehicle())
    run.snapshot()
    assert not run.diagnoser.codes.read
    run.feed(answer(1.0, 0x03))
    run.snapshot()
    assert run.diagnoser.codes.read


def test_a_clock_that_was_set_and_values_beyond_the_vehicle_are_told() -> None:
    run = Run("test", Decoder(), Vehicle(peak_torque_nm=200.0))
    for start_s in (100.0, 20.0):
        for i in range(40):
            for reading in (
                Reading(start_s + 0.1 * i, "engine_rpm", 1500.0),
                Reading(start_s + 0.1 * i + 0.03, "engine_torque_nm", 150.0 if i % 2 else 1900.0),
            ):
                run.estimator.feed(reading)
    assert run.estimator.counters["absurd_values"] == 40
    notices = run.end().notices
    assert any("clock" in line and "(times: 1)" in line for line in notices)
    assert any(line.startswith("40 readings") for line in notices)


def test_a_drive_without_engine_speed_says_so() -> None:
    run = Run("test", Decoder(), Vehicle())
    run.feed(Frame(1.0, 0x7E8, False, bytes.fromhex("03410D3200000000")))
    assert run.readings == 1 and any("no engine speed" in line for line in run.end().notices)
