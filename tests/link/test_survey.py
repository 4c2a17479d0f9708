"""`livemon survey`: what was answered, how fast, and how it reads."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from livemon.cli import main
from livemon.clock import VirtualClock
from livemon.commands.link import OPENING_S
from livemon.commands.survey import DEADLINE_S, Survey
from livemon.commands.survey_scope import scopes, to_set, torque_source
from livemon.commands.survey_text import Found, as_dict, lines
from livemon.errors import LinkError
from livemon.obd.decode import Decoder
from livemon.obd.schedule import Schedule
from livemon.permit import Permitted
from livemon.records import Frame, Reading
from livemon.simulate.adapter import Adapter
from livemon.simulate.adapter_host import PtyHost
from livemon.simulate.adapter_unit import VIN, TableUnit, Units
from livemon.sources.base import Source
from livemon.sources.reconnect import Reconnecting
from livemon.vehicle import Vehicle
from livemon.vin import mask


def table(**answers: str) -> dict[bytes, bytes]:
    """Keyword x0100="41..." -> ask 0100, answer 41..."""
    return {bytes.fromhex(ask[1:]): bytes.fromhex(answer) for ask, answer in answers.items()}


# Engine: PIDs 04 05 0C 0D 11 and 20; 62 63 over the masks 20 40 60. P0741 stored with a freeze frame.
ENGINE = table(
    x0100="410018188001",
    x0120="412000000001",
    x0140="414000000001",
    x0160="416060000000",
    x0104="410480",
    x0105="41057B",
    x010C="410C1AF8",
    x010D="410D32",
    x0111="411133",
    x0162="416296",
    x0163="41630190",
    x03="43010741",
    x07="4700",
    x0A="4A00",
    x020200="4202000741",
    x020C00="420C001AF8",
    x020D00="420D0032",
    x090A="490A01" + b"ENGINE\0\0\0\0\0\0\0\0\0\0\0\0\0\0".hex(),
) | {bytes.fromhex("0902"): bytes.fromhex("490201") + VIN}


GEARBOX = table(x0100="410008000000", x0105="410560", x03="4300", x07="47010894")


def survey_of(b: Any, seconds: float = 4.0) -> Found:
    schedule = Schedule(parallel=False)
    survey = Survey(Reconnecting(b.link, b.clock, b.said.append), schedule, Decoder(), b.clock)
    return survey.run("inline", seconds)


def test_everything_a_vehicle_says_of_itself(bench: Any) -> None:
    b = bench(Units(TableUnit(ENGINE), TableUnit(GEARBOX, number=1, delay_s=0.018)))
    found = survey_of(b)
    assert set(found.units) == {0x7E8, 0x7E9}
    assert 0.01 <= found.units[0x7E8] < 0.03
    assert found.supported[0x7E8] >= {0x0C, 0x0D, 0x62, 0x63}
    assert found.vin == VIN.decode("ascii")
    assert list(found.codes["stored"]) == ["P0741"] and list(found.codes["pending"]) == ["P0894"]
    assert found.codes["permanent"] == {}
    assert found.freeze_frame["code"] == "P0741" and found.freeze_frame["engine_rpm"] == 1726.0
    assert found.unit_names == {0x7E8: "ENGINE"}
    assert found.rates["locked"]["engine_rpm"] > found.rates["locked"]["vehicle_kmh"] > 0.0
    assert found.rates["launch"]["engine_torque_pct"] > 3.0
    assert "reference_torque_nm" in found.answered
    assert b.clock.now_s() < 45.0


def test_it_reads_well_at_80_columns_and_masks_the_vin(bench: Any) -> None:
    found = survey_of(bench(Units(TableUnit(ENGINE), TableUnit(GEARBOX, number=1, delay_s=0.018))), 2.0)
    found.scopes = scopes(found.answered, 20.0, Vehicle())
    found.to_set = to_set(Vehicle(), given=False, slow=True, baud_found=True)
    text = lines(found, full_vin=True)
    assert all(len(line) <= 80 and line.isascii() for line in text)
    whole = "\n".join(text)
    for part in (
        "7E8  ENGINE",
        "7E9  transmission",
        f"VIN    {VIN.decode('ascii')}",
        "stored    P0741 Torque Converter Clutch Circuit Performance or Stuck Off",
        "permanent none",
        "When P0741 was stored: engine speed 1726 rpm, road speed 50 km/h",
        "clutch shudder           partly  swings up to about 8 Hz",
        "livemon vehicle new",
        "--baud",
        "licensed technician",
    ):
        assert part in whole, part
    assert mask(VIN.decode("ascii")) in "\n".join(lines(found, full_vin=False))
    written = json.dumps(as_dict(found, full_vin=False))
    assert VIN.decode("ascii") not in written and mask(VIN.decode("ascii")) in written


def test_services_that_are_not_answered_are_not_called_empty(bench: Any) -> None:
    silent = {ask: answer for ask, answer in ENGINE.items() if ask[0] == 0x01}
    found = survey_of(bench(TableUnit(silent)), 1.0)
    whole = "\n".join(lines(found, full_vin=True))
    assert "stored    not answered" in whole and "VIN    not answered" in whole


def test_nobody_answers(bench: Any) -> None:
    b = bench(TableUnit({}))
    with pytest.raises(LinkError, match="switch the ignition on"):
        survey_of(b)
    assert b.clock.now_s() < 60.0


def test_a_diesels_fuel_rate_is_asked_and_counted_as_its_torque(bench: Any) -> None:
    engine = table(
        x0100="410000190001", x0120="412000000001", x0140="414000000004",
        x010C="410C1AF8", x010D="410D32", x0110="41100800", x015E="415E0100",
    )  # fmt: skip
    b, vehicle = bench(TableUnit(engine)), Vehicle(fuel="diesel")
    schedule = Schedule(parallel=False, fuel=vehicle.fuel)
    found = Survey(Reconnecting(b.link, b.clock, b.said.append), schedule, Decoder(), b.clock).run("x", 4.0)
    assert found.rates["launch"]["fuel_rate_l_h"] > 3.0
    assert torque_source(found.answered, vehicle) == "fuel rate"


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
def test_the_command_over_a_pseudo_terminal(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    log, result = tmp_path / "s.log", tmp_path / "s.json"
    brief = {ask: answer for ask, answer in ENGINE.items() if ask[0] not in (0x03, 0x07, 0x0A)}
    with PtyHost(Adapter(TableUnit(brief, delay_s=0.003), baud=115200)) as host:
        options = ["--serial", host.path, "--baud", "115200", "--seconds", "0.1"]
        status = main(["survey", *options, "--record", str(log), "--json", str(result)])
    out, err = capfd.readouterr()
    assert status == 0
    assert (
        mask(VIN.decode("ascii")) in out and VIN.decode("ascii") not in out
    )  # not a terminal: a file may follow
    assert "vehicle found" in err
    assert json.loads(result.read_text())["units"][0]["id"] == "7E8"
    assert VIN[-7:].hex().upper() not in log.read_text().replace("\n", "")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "--serial PORT, or --interface"),
        (["--serial", "x", "--interface", "virtual"], "got --serial and --interface"),
        (["--serial", "x", "--bitrate", "500000"], "leave --bitrate out"),
        (["--interface", "virtual", "--baud", "9600"], "leave --baud out"),
        (["--serial", "x", "--j1939"], "slcan"),
        (["--serial", "x", "--baud", "0"], "above zero"),
        (["--serial", "x", "--json", "/no/such/folder/x.json"], "existing folder"),
    ],
)
def test_link_options_that_do_not_fit(
    options: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["survey", *options]) == 2
    err = capsys.readouterr().err
    assert said in err and err.count("\n") == 1


@pytest.mark.parametrize("listening", [False, True])
def test_a_link_that_cannot_be_opened_fails_in_its_own_words(listening: bool) -> None:
    clock = VirtualClock()

    def nothing_there() -> Source:
        raise LinkError("a free serial port", "no such port", "/dev/nosuch", "check the name")

    link = Reconnecting(nothing_there, clock, lambda sentence: None, OPENING_S)
    survey = Survey(link, None if listening else Schedule(), Decoder(), clock)
    with pytest.raises(LinkError, match="no such port"):
        survey.run("/dev/nosuch", 1.0)
    assert OPENING_S <= clock.now_s() < DEADLINE_S
    link = Reconnecting(nothing_there, clock, lambda sentence: None, None)
    survey = Survey(link, None if listening else Schedule(), Decoder(), clock)
    with pytest.raises(LinkError, match="no such port"):
        survey.run("/dev/nosuch", 1.0)


@pytest.mark.parametrize("at_s", [0.0, 9.0, 12.0])
def test_an_interruption_ends_with_what_was_answered(
    bench: Any, at_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    b = bench(TableUnit(ENGINE))
    read = Reconnecting.read

    def interrupted(link: Reconnecting, timeout_s: float) -> Frame | None:
        if b.clock.now_s() > at_s:
            raise KeyboardInterrupt
        return read(link, timeout_s)

    monkeypatch.setattr(Reconnecting, "read", interrupted)
    found = survey_of(b)
    assert found.interrupted and found.vin == (VIN.decode("ascii") if at_s else None)
    assert ("pulling" in found.rates) == (at_s > 10.0)
    text = "\n".join(lines(found, full_vin=True))
    assert "Interrupted" in text and ("7E8" in text) == bool(at_s) and "What can be judged" not in text
    assert json.dumps(as_dict(found, full_vin=True))


def test_a_clock_set_back_takes_no_time_back() -> None:
    clock, times = VirtualClock(), list[float]()

    class SetBack:
        def read(self, timeout_s: float) -> Frame:
            clock.sleep(0.1)
            wall_s = clock.now_s() - (100.0 if clock.now_s() > 3.0 else 0.0)
            return Frame(wall_s, 0x7E8, False, bytes.fromhex("03410D32"))

        def send(self, ask: Permitted) -> None:
            pass

        def close(self) -> None:
            pass

    class Noting(Decoder):
        def feed(self, frame: Frame) -> Sequence[Reading]:
            times.append(frame.time_s)
            return super().feed(frame)

    link = Reconnecting(SetBack, clock, lambda sentence: None)
    assert Survey(link, Schedule(), Noting(), clock).run("odd", 1.0).rates["locked"]
    assert len(times) > 40 and times == sorted(times)


@pytest.mark.parametrize("can_id", [0x7E8, 0x7E0])
@pytest.mark.parametrize("data", [b"", b"\x00", b"\x10"])
def test_a_frame_without_data_does_not_end_a_survey(can_id: int, data: bytes) -> None:
    clock = VirtualClock()

    class Odd:
        def read(self, timeout_s: float) -> Frame:
            clock.sleep(0.1)
            return Frame(clock.now_s(), can_id, False, data)

        def send(self, ask: Permitted) -> None:
            pass

        def close(self) -> None:
            pass

    link = Reconnecting(Odd, clock, lambda sentence: None)
    survey = Survey(link, Schedule(), Decoder(), clock)
    if can_id == 0x7E8:
        assert not survey.run("odd", 1.0).rates["locked"]
    else:
        with pytest.raises(LinkError, match="an answer from the vehicle"):
            survey.run("odd", 1.0)
