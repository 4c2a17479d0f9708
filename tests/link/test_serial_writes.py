"""What reaches a serial adapter: its set-up and reads, and nothing else, whatever goes wrong."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any

import pytest

from livemon import sources
from livemon.errors import LinkError, RefusedError
from livemon.permit import permit
from livemon.records import Frame
from livemon.simulate.adapter_faults import Faults

# Told here anew: by its own table the program would be right whatever it wrote.
SET_UP = re.compile(
    "AT(WS|Z|E0|L0|S0|H1|M0|CAF1|CFC1|AT1|ST32|DPN|SP[06-9]|SH(7DF|7E[0-7]|DB33F1|DA[0-9A-F]{2}F1))"
)
READ = re.compile("0[12379A]([0-9A-F]{2})*[0-9A-F]?")  # a read service of SAE J1979, its data, a count
SOURCES = Path(sources.__file__).parent


def test_flow_control_is_left_to_the_adapter(bench: Any) -> None:
    b = bench()
    source = b.link()
    before = len(b.ports[-1].written)
    source.send(permit(Frame(0.0, 0x7E0, False, bytes.fromhex("3000000000000000"))))
    assert len(b.ports[-1].written) == before


def test_only_permitted_frames_are_sent(bench: Any) -> None:
    b = bench()
    source = b.link()
    before = len(b.ports[-1].written)
    with pytest.raises(RefusedError):
        source.send(b.ask("04"))
    with pytest.raises(RefusedError):
        source.command("ATPP00SV00")
    with pytest.raises(RefusedError):
        source.command("04")
    assert len(b.ports[-1].written) == before


def test_everything_written_is_a_set_up_command_or_a_read(bench: Any) -> None:
    """Whatever goes wrong, each line that reached the adapter sets it up or asks for a read service."""
    for seed in range(30):
        faults = Faults(seed, 0.05, 0.05, 0.05, 0.02, 0.02, 0.02, 0.02, 0.01)
        b = bench(faults=faults)
        try:
            source = b.link()
            for payload in ["010C", "010D", "0902", "03", "07", "0A", "020C00", "010C0D11"] * 6:
                b.exchange(source, payload, 0.1)
        except LinkError:
            pass
        for line in b.ports[-1].written.decode("ascii").split("\r")[:-1]:
            assert line[0] == " "
            assert is_allowed(line[1:]), line
        for line in b.device.heard:  # also where the adapter was still busy and dropped a character
            assert is_allowed(line) or line == "", line


def is_allowed(line: str) -> bool:
    return bool(SET_UP.fullmatch(line) or READ.fullmatch(line))


def test_the_port_is_written_in_one_place() -> None:
    trees = [ast.parse(file.read_text(encoding="utf-8")) for file in SOURCES.glob("serial_*.py")]
    writers = [
        function.name
        for tree in trees
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef)
        for node in ast.walk(function)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "write"
    ]
    assert writers == ["_put"]


@pytest.mark.parametrize("old_adapter", [False, True])
def test_an_ask_that_loses_a_digit_on_the_wire_does_nothing(bench: Any, old_adapter: bool) -> None:
    """0142 less its 1 would be 04 and the count 2: clear the codes. 01101 less its 0 would be a reset."""
    b = bench(faults=Faults(no_count_digit=old_adapter))
    source = b.link()
    for pid in range(256):
        b.unit.table.setdefault(bytes([1, pid]), bytes([0x41, pid, 0, 0]))
        for _ in range(4):
            b.exchange(source, f"01{pid:02X}", 0.0)
        b.exchange(source, f"01{pid:02X}0D49", 0.0)
    b.exchange(source, "0902", 0.5)
    heard = {line for line in b.device.heard if not line.startswith("AT")}
    assert len(heard) >= 257
    for line in heard:
        for at in range(len(line)):
            damaged = line[:at] + line[at + 1 :]
            if old_adapter and len(damaged) % 2:
                continue  # such an adapter refuses it
            payload = bytes.fromhex(damaged[: len(damaged) // 2 * 2])
            assert payload != b"\x04", (line, damaged)  # clear the codes
            assert payload[0] != 0x14 or len(payload) != 4, (line, damaged)  # clear a group of codes
            assert payload[:1] != b"\x08" or payload[1:2] in (b"", b"\0") or payload[1] > 15, (line, damaged)
            if len(payload) == 2 and payload[0] in (0x10, 0x11):  # session, reset
                assert payload[1] & 0x7F not in range(1, 6), (line, damaged)
