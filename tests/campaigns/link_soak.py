"""Half an hour of simulated live asking over a serial adapter, in virtual time: what arrives is not lost.

    python tests/campaigns/link_soak.py [MINUTES] [SEED]

Three runs: a good line; a noisy line; the plug pulled 20 times. Prints figures; fails by an AssertionError.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from random import Random

from livemon.clock import VirtualClock
from livemon.errors import LinkError
from livemon.obd.schedule import Schedule
from livemon.permit import permit
from livemon.records import Frame
from livemon.simulate.adapter import Adapter
from livemon.simulate.adapter_faults import Faults
from livemon.simulate.adapter_host import InlinePort
from livemon.simulate.adapter_vehicle import VehicleUnit
from livemon.simulate.scenario import draw
from livemon.sources.reconnect import Reconnecting
from livemon.sources.recording import open_recording
from livemon.sources.serial_open import SerialLink
from livemon.store.recorder import Recorder

BAUD = 115200


class Counting(Adapter):
    """Counts the answers it put on the line."""

    shown = 0

    def _answer(self, frame: Frame, now_s: float) -> None:
        self.shown += 1
        super()._answer(frame, now_s)


def is_answer(frame: Frame) -> bool:
    return frame.can_id & ~0xFF == 0x18DAF100 if frame.extended else 0x7E8 <= frame.can_id <= 0x7EF


def soak(name: str, minutes: float, faults: Faults, pulls: int, seed: int) -> tuple[int, int]:
    """Answers put on the line, answers received."""
    clock = VirtualClock()
    device = Counting(VehicleUnit(draw("none", seed)), faults, baud=BAUD)
    random = Random(seed)
    end_s = 60.0 * minutes
    slot_s = (end_s - 40.0) / max(1, pulls)
    pull_at = [10.0 + (i + random.uniform(0.0, 0.5)) * slot_s for i in range(pulls)]
    back_s = 0.0
    ports: list[InlinePort] = []

    def open_port(url: str, baud: int) -> InlinePort:
        if clock.now_s() < back_s:
            raise LinkError("a port", "none", url, "plug it in")
        ports.append(InlinePort(device, clock, baud))
        return ports[-1]

    quiet: Callable[[str], None] = lambda sentence: None  # noqa: E731
    link = Reconnecting(SerialLink("inline", BAUD, quiet, clock, open_port, 1.0e9), clock, quiet)
    schedule = Schedule(parallel=False)
    got = 0
    with tempfile.TemporaryDirectory() as folder:
        recorder = Recorder(Path(folder) / "soak.log")
        while clock.now_s() < end_s:
            if pull_at and clock.now_s() >= pull_at[0]:
                pull_at.pop(0)
                back_s = clock.now_s() + random.uniform(0.1, 5.0)
                ports[-1].unplugged_s = 0.0
            while (ask := schedule.next(clock.now_s())) is not None:
                link.send(permit(ask))
            frame = link.read(schedule.wait_s(clock.now_s()))
            if frame is not None:
                schedule.feed(frame, clock.now_s())
                recorder.write(frame)
                got += is_answer(frame)
        while (frame := link.read(0.3)) is not None:
            recorder.write(frame)
            got += is_answer(frame)
        recorder.close()
        recorded = sum(is_answer(frame) for frame in open_recording(str(Path(folder) / "soak.log")))
    counters = Counter(link.counters) + schedule.counters
    print(f"{name}: {device.shown} answers on the line, {got} received, {recorded} recorded")
    print("   ", {**counters, "gaps": len(link.gaps)})
    assert recorded == got
    assert len(link.gaps) == pulls or slot_s < 12.0  # two pulls in one gap
    return device.shown, got


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    shown, got = soak("good line", minutes, Faults(), 0, seed)
    assert got == shown
    shown, got = soak("noise in 1 % of the lines", minutes, Faults(seed, noise=0.01), 0, seed)
    assert got >= 0.985 * shown
    shown, got = soak("20 times unplugged", minutes, Faults(), 20, seed)
    assert got >= shown - 20 * 8  # what was under way when the plug came out: one second at most


if __name__ == "__main__":
    main()
