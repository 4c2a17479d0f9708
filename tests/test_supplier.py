"""Of several that give the same, one supplies it: the same rule and the same edge in every decoder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from livemon.obd.decode import Decoder
from livemon.obd.j1939 import J1939Decoder
from livemon.records import Frame
from livemon.run import Decoder as AnyDecoder
from livemon.sources.dbc import DbcDecoder
from livemon.supplier import SILENT_S

DBC = f'VERSION ""\nBU_: A\nBO_ {0x8CF004FE} M: 8 A\n SG_ engine_rpm : 24|16@1+ (0.125,0) [0|0] "rpm" A\n'


def asked(path: Path) -> tuple[AnyDecoder, Callable[[int], Frame]]:
    data = bytes.fromhex("04410C1AF8000000")
    return Decoder(), lambda who: Frame(0.0, 0x7E8 + who, False, data)


def broadcast(decoder: AnyDecoder) -> tuple[AnyDecoder, Callable[[int], Frame]]:
    return decoder, lambda who: Frame(0.0, 0x0CF00400 + who, True, bytes.fromhex("0B7D7D640016007D"))


def j1939(path: Path) -> tuple[AnyDecoder, Callable[[int], Frame]]:
    return broadcast(J1939Decoder())


def dbc(path: Path) -> tuple[AnyDecoder, Callable[[int], Frame]]:
    path.write_text(DBC)
    return broadcast(DbcDecoder(path))


@pytest.mark.parametrize("kind", [asked, j1939, dbc])
@pytest.mark.parametrize("other_bus", [False, True])
@pytest.mark.parametrize(
    ("after_s", "taken"),
    [
        (0.1, False),
        (SILENT_S - 0.01, False),
        (SILENT_S, True),
        (-0.01, False),  # two buses' stamps in a slightly wrong order
        (-100.0, True),  # the clock was set
    ],
)
def test_another_takes_over_after_a_silence_or_a_set_clock(
    tmp_path: Path,
    kind: Callable[[Path], tuple[AnyDecoder, Callable[[int], Frame]]],
    other_bus: bool,
    after_s: float,
    taken: bool,
) -> None:
    decoder, frame = kind(tmp_path / "v.dbc")
    assert decoder.feed(frame(0)._replace(time_s=128.0))
    other = frame(0)._replace(channel="can1") if other_bus else frame(1)
    assert bool(decoder.feed(other._replace(time_s=128.0 + after_s))) == taken
    if taken:
        assert decoder.feed(other._replace(time_s=128.1 + after_s))
        assert not decoder.feed(frame(0)._replace(time_s=128.2 + after_s)), "it stays with the new one"
