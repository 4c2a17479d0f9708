"""The poller and the control units answering it: SAE J1979 service 01 over ISO 15765-4, 11-bit, as frames."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import floor
from random import Random

from livemon.records import Frame

from .cars import Car
from .vehicle import TICK_S, History

WIDTH = {0x0C: 2, 0x10: 2, 0x42: 2, 0x43: 2, 0x63: 2}  # data bytes of an answer; 1 when not named here
TORQUE = {
    "net": (0x62,),
    "indicated": (0x62, 0x8E),
    "air_flow": (0x10,),
    "absolute_load": (0x43,),
    "none": (),
}


@dataclass
class Polling:
    """How the tester asks and how the vehicle answers."""

    order: str
    per_s: float
    torque: str
    asks: list[tuple[int, ...]]
    rounds: bool  # road speed rounded to whole km/h, else truncated
    speed_delay_s: float
    speed_lag_s: float
    speed_gain: float
    answer_s: tuple[float, float]
    jitter_rpm: float
    reference_nm: int
    pedal_rest: float
    pedal_span: float
    padding: int
    lists_support: bool
    second_unit: bool  # a transmission unit answers road speed too
    asked: frozenset[int] = field(init=False)

    def __post_init__(self) -> None:
        self.asked = frozenset(pid for ask in self.asks for pid in ask)


def draw(car: Car, rng: Random, torque: str | None = None) -> Polling:
    """One way of polling; readings a second from 3 to 40. torque: a key of TORQUE, drawn when None."""
    drawn = rng.choices(list(TORQUE), (35, 20, 20, 13, 12))[0]
    if car.fuel == "diesel" and drawn in ("air_flow", "absolute_load"):
        drawn = "net"
    torque = torque or drawn
    pids = TORQUE[torque]
    pedal = (0x49,) if rng.random() < 0.85 else ()
    order = rng.choice(("pairs", "round_robin", "many", "weighted"))
    if order == "pairs":  # engine and road speed in turn, one other now and then
        asks: list[tuple[int, ...]] = []
        for other in (*pids, *pedal, *pids):
            asks += [(0x0C,), (0x0D,), (0x0C,), (0x0D,), (other,)]
        asks = asks or [(0x0C,), (0x0D,)]
        per_s = rng.uniform(10.0, 40.0)
    elif order == "round_robin":
        robin = (0x0C, 0x0D, *pids, *pedal, 0x04, 0x05, 0x11, 0x0F)[:8]
        asks = [(pid,) for pid in robin]
        per_s = rng.uniform(3.0, 30.0)
    elif order == "many":
        asks = [(0x0C, 0x0D, *pids, *pedal)]
        per_s = rng.uniform(9.0, 40.0)
    else:
        rare = [(pid,) for pid in (*pids, *pedal)]
        asks = [(0x0C,), (0x0D,), (0x0C,), *rare[:1], (0x0C,), (0x0D,), *rare[1:]]
        per_s = rng.uniform(6.0, 40.0)
    if torque in ("net", "indicated"):
        asks = asks * 8 + [(0x63,)]
    quick = per_s / max(map(len, asks)) > 16.0
    low = rng.uniform(0.008, 0.012) if quick else rng.uniform(0.010, 0.018)
    peak = max(torque for _, torque in car.rated)
    late = rng.random() < 0.6
    rests = rng.random() < 0.7
    return Polling(
        order=order,
        per_s=per_s,
        torque=torque,
        asks=asks,
        rounds=rng.random() < 0.5,
        speed_delay_s=rng.uniform(0.05, 0.15) if late else 0.01,
        speed_lag_s=0.0 if late else rng.uniform(0.05, 0.15),
        speed_gain=rng.gauss(1.0, 0.008) if rng.random() < 0.7 else rng.uniform(1.0, 1.035),
        answer_s=(low, low + rng.uniform(0.002, 0.007) if quick else low + rng.uniform(0.002, 0.022)),
        jitter_rpm=rng.uniform(0.3, 3.5),
        reference_nm=round(peak * rng.uniform(1.0, 1.35)),
        pedal_rest=rng.uniform(0.1, 0.2) if rests else 0.0,
        pedal_span=rng.uniform(0.6, 0.78) if rests else 1.0,
        padding=rng.choice((0x00, 0x55, 0xAA)),
        lists_support=rng.random() < 0.5,
        second_unit=rng.random() < 0.1,
    )


class Unit:
    """The control unit: a PID and a time in, data bytes out."""

    def __init__(self, car: Car, polling: Polling, history: History, rng: Random) -> None:
        self.car, self.polling, self.history, self.rng = car, polling, history, rng
        share = TICK_S / (polling.speed_lag_s + TICK_S) if polling.speed_lag_s else 1.0
        lagged, self._speeds = 0.0, []
        for moment in history.moments:
            lagged += (moment.speed_m_s - lagged) * share
            self._speeds.append(lagged * 3.6 * polling.speed_gain)

    def value(self, pid: int, time_s: float) -> int:
        """The raw number of a PID at a time."""
        now, polling = self.history.moment(time_s), self.polling
        if pid == 0x0C:
            rpm = self.history.at(time_s)[0]
            jitter = self.rng.gauss(0.0, polling.jitter_rpm) if rpm > 50.0 else 0.0
            return max(0, floor(4.0 * (rpm + jitter)))
        if pid == 0x0D:
            x = max(0.0, (time_s - polling.speed_delay_s) / TICK_S)
            i = min(int(x), len(self._speeds) - 2)
            kmh = self._speeds[i] + (x - i) * (self._speeds[i + 1] - self._speeds[i])
            return min(255, floor(kmh + (0.5 if polling.rounds else 0.0)))
        if pid in (0x62, 0x61):
            said = now.said_nm + (now.friction_nm if polling.torque == "indicated" else 0.0)
            return min(255, max(0, round(100.0 * said / polling.reference_nm) + 125))
        if pid == 0x8E:
            return min(255, round(100.0 * now.friction_nm / polling.reference_nm) + 125)
        if pid == 0x63:
            return polling.reference_nm
        if pid == 0x10:
            return min(65535, round(100.0 * now.air_g_s))
        if pid in (0x43, 0x04):
            rpm = max(300.0, self.history.at(time_s)[0])
            load = now.air_g_s * 120.0 / (rpm * self.car.displacement_l * 1.184)
            if pid == 0x43:
                return min(65535, round(255.0 * load))
            return min(255, round(255.0 * min(1.0, load / 0.95)))
        if pid == 0x49:
            return min(255, round(255.0 * (polling.pedal_rest + polling.pedal_span * now.pedal)))
        if pid == 0x11:
            return min(255, round(255.0 * (0.12 + 0.75 * now.pedal)))
        return 40 + (85 if pid == 0x05 else 25)

    def data(self, pid: int, time_s: float) -> bytes:
        return self.value(pid, time_s).to_bytes(WIDTH.get(pid, 1), "big")


def frames(unit: Unit, seconds: float) -> Iterator[Frame]:
    """The wire as a recording of the tester shows it, time from 0."""
    polling, rng, pad = unit.polling, unit.rng, unit.polling.padding
    time_s = 0.0
    if polling.lists_support:
        for base in range(0x00, 0x81, 0x20):
            mask = sum(1 << (0x20 - pid + base) for pid in polling.asked if base < pid <= base + 0x20)
            mask |= 1 if base < 0x80 else 0
            yield _frame(time_s, 0x7DF, bytes((2, 1, base)), 0)
            yield _frame(time_s + 0.012, 0x7E8, bytes((6, 0x41, base)) + mask.to_bytes(4, "big"), pad)
            time_s += 0.05
    turn = 0
    while time_s < seconds - 0.2:
        ask = polling.asks[turn % len(polling.asks)]
        turn += 1
        address = 0x7DF if polling.second_unit or len(ask) == 1 else 0x7E0
        yield _frame(time_s, address, bytes((1 + len(ask), 1, *ask)), 0)
        took_s = rng.uniform(*polling.answer_s)
        sampled_s = time_s + rng.uniform(0.2, 0.9) * took_s
        payload = b"\x41" + b"".join(bytes((pid,)) + unit.data(pid, sampled_s) for pid in ask)
        done_s = time_s + took_s
        if len(payload) <= 7:
            yield _frame(done_s, 0x7E8, bytes((len(payload),)) + payload, pad)
        else:
            yield _frame(done_s, 0x7E8, bytes((0x10, len(payload))) + payload[:6], pad)
            done_s += 0.0008
            yield _frame(done_s, 0x7E0, b"\x30\x00\x00", 0)
            for number, start in enumerate(range(6, len(payload), 7), 1):
                done_s += rng.uniform(0.001, 0.003)
                yield _frame(done_s, 0x7E8, bytes((0x20 | number,)) + payload[start : start + 7], pad)
        if polling.second_unit and ask == (0x0D,):
            done_s += 0.0007
            yield _frame(done_s, 0x7E9, b"\x03\x41\x0d" + unit.data(0x0D, sampled_s), pad)
        time_s = max(done_s + 0.001, time_s + len(ask) / polling.per_s * rng.uniform(0.95, 1.05))


def _frame(time_s: float, can_id: int, data: bytes, pad: int) -> Frame:
    return Frame(round(time_s, 6), can_id, False, data.ljust(8, bytes((pad,))))
