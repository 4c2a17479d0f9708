"""Times of the way from a recording's text to readings, as ratios to python-can's own reader of the file.

    python tests/bench/wire.py RECORDING.log [--j1939 | --dbc F.dbc]

Without a recording it makes one of polled answers. Run by hand; figures go to DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import can

from livemon.obd.decode import Decoder
from livemon.obd.j1939 import J1939Decoder
from livemon.sources.candump import Candump
from livemon.sources.dbc import DbcDecoder

ROUNDS = 7


def polled(path: Path, asks: int = 20000) -> None:
    """A recording of single polls, as most are."""
    rng = random.Random(1)
    with path.open("w", encoding="ascii") as file:
        for n in range(asks):
            time_s, pid = 1.7e9 + 0.03 * n, (0x0C, 0x0D)[n % 2]
            file.write(f"({time_s:.6f}) can0 7DF#0201{pid:02X}0000000000\n")
            value = (
                f"04410C{rng.randrange(2400, 12000):04X}000000"
                if pid == 0x0C
                else f"03410D{n % 100:02X}00000000"
            )
            file.write(f"({time_s + 0.012:.6f}) can0 7E8#{value}\n")


def fastest(work: Callable[[], int]) -> float:
    """Least time of several rounds, per item that `work` says it did [us]."""
    best = float("inf")
    for _ in range(ROUNDS):
        start_s = time.process_time()
        items = work()
        best = min(best, (time.process_time() - start_s) / items)
    return best * 1e6


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("recording", nargs="?", type=Path)
    parser.add_argument("--j1939", action="store_true")
    parser.add_argument("--dbc", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = options.recording or Path(folder) / "polled.log"
        if options.recording is None:
            polled(path)

        def decoder() -> Decoder | J1939Decoder | DbcDecoder:
            return J1939Decoder() if options.j1939 else DbcDecoder(options.dbc) if options.dbc else Decoder()

        frames = list(Candump(path, decoder().wanted_ids))
        every = sum(1 for _ in Candump(path))

        def decode() -> int:
            feed = decoder().feed
            return sum(len(feed(frame)) for frame in frames) or 1

        reference = fastest(lambda: sum(1 for _ in can.LogReader(path)))
        for name, unit, us in (
            ("python-can reading", "line", reference),
            ("reading every frame", "line", fastest(lambda: sum(1 for _ in Candump(path)))),
            (
                "reading what is wanted",
                "line",
                fastest(lambda: (sum(1 for _ in Candump(path, decoder().wanted_ids)), every)[1]),
            ),
            ("decoding", "reading", fastest(decode)),
        ):
            sys.stdout.write(
                f"{name:24} {us:6.2f} us a {unit:8} {us / reference:5.2f} of python-can's line\n"
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
