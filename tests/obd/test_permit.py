"""The outgoing gate: all 256 services on every identifier, and callers that try everything."""

from __future__ import annotations

import ast
import random
from pathlib import Path

import pytest

import livemon
from livemon.errors import RefusedError
from livemon.obd.isotp import flow_control_frame
from livemon.obd.plan import SHARES
from livemon.obd.schedule import Schedule, ask_frame
from livemon.permit import READ_SERVICES, Permitted, permit
from livemon.records import Frame

# SAE J1979: what a tester may read. 04 clears codes, 05 and 06 run or read tests, 08 controls devices.
READS = {0x01, 0x02, 0x03, 0x07, 0x09, 0x0A}
TESTER_IDS = [(0x7DF, False), *((0x7E0 + n, False) for n in range(8)), (0x18DB33F1, True)]
TESTER_IDS += [(0x18DA00F1 | unit << 8, True) for unit in (0x00, 0x10, 0x18, 0xFF)]


def passes(frame: Frame) -> bool:
    try:
        return permit(frame).frame is frame
    except RefusedError as error:
        assert "\n" not in str(error)
        return False


def test_all_services_on_every_tester_identifier() -> None:
    assert READ_SERVICES == READS
    for can_id, extended in TESTER_IDS:
        for service in range(256):
            for length in range(1, 8):
                data = bytes((length, service, *([0x0C] * 6)))
                assert passes(Frame(0.0, can_id, extended, data)) == (service in READS)


def test_other_identifiers_never() -> None:
    data = bytes.fromhex("02010C0000000000")
    for can_id in range(0x800):
        assert passes(Frame(0.0, can_id, False, data)) == (can_id == 0x7DF or 0x7E0 <= can_id <= 0x7E7)
    for can_id in (0x7DF, 0x7E0, 0x18DAF110, 0x18DA10F0, 0x18DB33F0, 0x0CF00400, 0x18EAFF00, 0x98DA10F1):
        assert not passes(Frame(0.0, can_id, True, data))


def test_every_kind_of_frame() -> None:
    """Of ISO 15765-2 only single frames and flow control: a first frame could begin any long write."""
    for first in range(256):
        for second in range(256):
            data = bytes((first, second, 0, 0, 0, 0, 0, 0))
            single = 1 <= first <= 7 and second in READS
            assert passes(Frame(0.0, 0x7E0, False, data)) == (single or first in (0x30, 0x31, 0x32))


def test_anything_random_that_passes_is_a_read() -> None:
    rng = random.Random(1)
    passed = 0
    for _ in range(30000):
        can_id, extended = rng.choice(TESTER_IDS)
        data = bytes((rng.choice((rng.randrange(256), rng.randrange(8), 0x30)), rng.randrange(16)))
        data = (data + rng.randbytes(7))[: rng.randrange(10)]
        if passes(Frame(0.0, can_id, extended, data)):
            passed += 1
            assert len(data) <= 8
            if data[0] >> 4 == 0:
                assert data[1] in READS
                assert data[0] < len(data)
            else:
                assert data[0] in (0x30, 0x31, 0x32)
    assert passed > 1000


@pytest.mark.parametrize("maker", [None, object(), "maker", 0, True])
def test_nobody_else_makes_a_permitted_frame(maker: object) -> None:
    with pytest.raises(RefusedError):
        Permitted(Frame(0.0, 0x7E0, False, bytes.fromhex("0104")), maker)


def test_all_that_livemon_itself_asks_passes() -> None:
    for ask in (
        b"\x01\x00",
        b"\x02\x0c\x00",
        b"\x03",
        b"\x07",
        b"\x09\x02",
        b"\x0a",
        b"\x01\x0c\x0d\x62\x49\xa4\x05",
    ):
        assert passes(ask_frame(0.0, 0x7E0, False, ask, "can0"))
    assert passes(flow_control_frame(Frame(0.0, 0x18DAF110, True, bytes.fromhex("1014490201000000"))))
    schedule = Schedule()
    for n in range(2000):
        schedule.regime = "locked" if n % 2 else "launch"
        frame = schedule.next(0.01 * n)
        assert frame is None or passes(frame)
        schedule.feed(Frame(0.01 * n, 0x7E8, False, bytes.fromhex("064100FFFFFFFF00")), 0.01 * n)
    assert "locked" in SHARES


def test_only_sources_transmit_and_only_what_is_permitted() -> None:
    """Read from the code: who calls a bus's or a port's way out, and who makes Permitted."""
    senders, makers = set(), set()
    for path in Path(livemon.__file__).parent.rglob("*.py"):
        inside = str(path.relative_to(Path(livemon.__file__).parent))
        if inside.startswith("simulate/"):
            continue  # the other side of the bus
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            if called.split(".")[-1] in ("send", "write", "send_periodic") and "bus" in called.lower():
                senders.add(inside)
            if called.split(".")[-1] == "Permitted":
                makers.add(inside)
    assert makers == {"permit.py"}
    assert senders <= {
        "sources/can_bus.py",
        "commands/link.py",
        "sources/can_open.py",
        "sources/simulated.py",
    }
    # can_open's only ask goes through CanBus.send, which takes nothing but Permitted.
    assert "bus.send(permit(" in (Path(livemon.__file__).parent / "sources/can_open.py").read_text()
