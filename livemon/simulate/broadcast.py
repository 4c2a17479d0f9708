"""Frames the simulated vehicle sends unasked: SAE J1939 (EEC1-3, ETC1-2, CCVS1, TRF1, EC1) or invented ones.

The invented layout is `dbc_demo/heron.dbc`: engine, gearbox and wheel-speed messages of a made-up sedan.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from heapq import heapify, heapreplace
from math import pi
from random import Random
from typing import Final, Literal

from livemon.records import Frame
from livemon.simulate.signals import Signals
from livemon.simulate.world import World

RPM = 30.0 / pi
Layout = Literal["j1939", "heron"]
# The [broadcast] section of a vehicle file for the invented layout.
HERON: Final = {
    "engine_rpm": "EngineState.CrankSpeed",
    "turbine_rpm": "GearboxState.TurbineSpeed",
    "output_rpm": "GearboxState.OutputSpeed",
    "vehicle_kmh": "WheelState.RoadSpeed",
    "gear": "GearboxState.GearEngaged",
    "lockup": "GearboxState.ClutchApplied",
    "engine_torque_nm": "EngineState.FlywheelTorque",
}


def heron_section() -> str:
    """The [broadcast] section that names the invented layout's signals."""
    rows = (f'{quantity} = "{signal}"' for quantity, signal in HERON.items())
    return "\n".join(("", "[broadcast]", *rows, ""))


class Broadcast:
    """Cyclic frames of one layout. `next_s` and `emit` as for a control unit."""

    def __init__(self, layout: Layout, world: World, signals: Signals, rng: Random) -> None:
        self._world, self._signals, self._rng = world, signals, rng
        self._extended = layout == "j1939"
        rows: tuple[tuple[float, int, Callable[[], bytes]], ...]
        if layout == "j1939":
            rows = (
                (0.02, 0x0CF00400, self._eec1),
                (0.01, 0x0CF00203, self._etc1),
                (0.1, 0x18F00503, self._etc2),
                (0.1, 0x18FEF100, self._ccvs),
                (0.05, 0x0CF00300, self._eec2),
                (0.25, 0x18FEDF00, self._eec3),
                (1.0, 0x18FEF803, self._trf1),
                (5.0, 0x18ECFF00, self._ec1_announced),
            )
        else:
            rows = (
                (0.04, 0x1A4, self._engine),
                (0.04, 0x1B0, self._gearbox),
                (0.1, 0x2C1, self._wheels),
            )
        self._due = [(rng.random() * period, i, period) for i, (period, _, _) in enumerate(rows)]
        self._rows = rows
        self._packets: deque[Frame] = deque()
        heapify(self._due)

    @property
    def next_s(self) -> float:
        return min(self._due[0][0], self._packets[0].time_s) if self._packets else self._due[0][0]

    def emit(self, now_s: float) -> list[Frame]:
        """Frames due by now. Values are those of the world's present time: call at every `next_s`."""
        out = []
        while self._packets and self._packets[0].time_s <= now_s + 1e-9:
            out.append(self._packets.popleft())
        while self._due[0][0] <= now_s + 1e-9:
            due, i, period = self._due[0]
            _, can_id, encode = self._rows[i]
            out.append(Frame(due, can_id, self._extended, encode()))
            heapreplace(self._due, (due + period * (1.0 + 0.02 * (self._rng.random() - 0.5)), i, period))
        return out

    # --- J1939 -------------------------------------------------------------------------------------

    def _eec1(self) -> bytes:
        s = self._signals
        return (
            bytes((0xF1, s.demand_torque_pct() + 125, s.actual_torque_pct() + 125))
            + _little(s.engine_rpm() * 8.0)
            + b"\x00\xff\xff"
        )

    def _etc1(self) -> bytes:
        w = self._world
        control = w.control
        flags = (
            (1 if control.engaged else 0)
            | (1 if w.stuck or (control.want_lock and control.applied) else 0) << 2
            | (1 if control.shifting else 0) << 4
            | 0xC0
        )
        output = w.speed_m_s / w.body.tyre_radius_m * w.gearbox.final_drive * RPM
        return (
            bytes((flags,))
            + _little(output * 8.0)
            + b"\xff\xff"
            + _little(w.turbine_rad_s * RPM * 8.0)
            + b"\xff"
        )

    def _etc2(self) -> bytes:
        control = self._world.control
        gear = control.gear if control.engaged else 0
        wanted = control.target if control.shifting else gear
        ratio = self._world.gearbox.ratios[gear - 1] if gear else 0.0
        return bytes((125 + wanted,)) + _little(ratio * 1000.0) + bytes((125 + gear,)) + b"D D "

    def _ccvs(self) -> bytes:
        brake = 1 if self._world.driver.brake_on else 0
        return (
            b"\xf3" + _little(self._signals.kmh() * 256.0) + bytes((0xC0 | brake << 4 | 0x0C,)) + b"\xff" * 4
        )

    def _eec2(self) -> bytes:
        return bytes((0xFF, round(self._world.driver.pedal * 250.0))) + b"\xff" * 6

    def _eec3(self) -> bytes:
        return bytes((self._signals.friction_pct() + 125,)) + b"\xff" * 7

    def _ec1_announced(self) -> bytes:
        """Engine configuration is 39 bytes long: announced to all, then sent in packets (SAE J1939-21)."""
        body = b"\xff" * 19 + _little(self._signals.truth.reference_nm) + b"\xff" * 18
        packets = -(-len(body) // 7)
        now_s = self._world.time_s
        for k in range(packets):
            part = body[7 * k : 7 * k + 7].ljust(7, b"\xff")
            self._packets.append(Frame(now_s + 0.055 * (k + 1), 0x18EBFF00, True, bytes((k + 1,)) + part))
        return bytes((0x20,)) + _little(len(body)) + bytes((packets, 0xFF, 0xE3, 0xFE, 0x00))

    def _trf1(self) -> bytes:
        return b"\xff" * 4 + _little((self._world.oil_c + 273.0) * 32.0) + b"\xff\xff"

    # --- the invented layout -------------------------------------------------------------------------

    def _engine(self) -> bytes:
        """engine_rpm 0.25 at byte 0, torque 0.5 N m offset -400 at byte 2, pedal 0.4 % at byte 4, counter."""
        s, w = self._signals, self._world
        torque = s.indicated_nm() - s.friction_nm()
        return (
            _little(s.engine_rpm() * 4.0)
            + _little((torque + 400.0) * 2.0)
            + bytes((round(w.driver.pedal * 250.0), 0, 0, w.steps & 0x0F))
        )

    def _gearbox(self) -> bytes:
        """turbine_rpm 0.5, output_rpm 0.5, gear in the low nibble of byte 4, lockup bit 4, brake bit 5."""
        w = self._world
        control = w.control
        output = w.speed_m_s / w.body.tyre_radius_m * w.gearbox.final_drive * RPM
        gear = control.gear if control.engaged else 0
        lockup = 1 if control.want_lock and control.applied else 0
        flags = gear | lockup << 4 | (1 if w.driver.brake_on else 0) << 5
        return (
            _little(w.turbine_rad_s * RPM * 2.0)
            + _little(output * 2.0)
            + bytes((flags, 0, 0, w.steps & 0x0F))
        )

    def _wheels(self) -> bytes:
        """vehicle_kmh 0.05 at byte 0."""
        return _little(self._signals.kmh() * 20.0) + b"\x00\x00"


def _little(value: float) -> bytes:
    return min(65535, max(0, round(value))).to_bytes(2, "little")
