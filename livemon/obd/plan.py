"""Which PIDs the next ask should carry: the rate is spent where it tells most. Pure; knows no bus.

To change what is asked how often, change a number in SHARES or PERIODS_S.
"""

from __future__ import annotations

from collections.abc import Iterable, Set
from typing import Final

from livemon.obd.pids import LENGTHS, PIDS
from livemon.quantities import pedal_quantities, torque_quantities
from livemon.records import Regime

# Share of the asks relative to engine speed. While the clutch is locked engine speed alone shows shudder;
# in a launch engine speed, road speed and torque are judged together, so they are asked together.
_USUAL: Final = {
    "engine_rpm": 1.0,
    "vehicle_kmh": 0.8,
    "torque": 0.5,
    "pedal": 0.25,
    "gear": 0.3,
    "in_gear": 0.05,
}
SHARES: Final[dict[str, dict[str, float]]] = {
    "launch": {**_USUAL, "vehicle_kmh": 1.0, "torque": 1.0},
    "locked": {
        "engine_rpm": 1.0,
        "vehicle_kmh": 0.15,
        "torque": 0.1,
        "pedal": 0.05,
        "gear": 0.03,
        "in_gear": 0.01,
    },
}
SECOND_TORQUE_SHARE: Final = 0.2  # of the torque's share: another way to the same torque, as a check on it

# What changes slowly is asked once in so many seconds.
PERIODS_S: Final[dict[str, float]] = {
    "reference_torque_nm": 60.0,
    "friction_torque_pct": 3.0,
    "calculated_load_pct": 5.0,
    "manifold_kpa": 5.0,
    "coolant_c": 20.0,
    "oil_c": 30.0,
    "intake_air_c": 30.0,
    "ambient_c": 120.0,
    "barometric_kpa": 120.0,
    "module_voltage_v": 60.0,
}
MOST_PIDS: Final = 6  # in one ask, SAE J1979
_SINGLE_FRAME_BYTES: Final = 7
_SLOW_EVERY: Final = 4  # where an ask holds one PID, at most every so manieth goes to a slow one


def purposes(fuel: str | None) -> dict[str, tuple[str, ...]]:
    """What serves each purpose, best first: the first that is answered does, torque's others are checks.

    Fuel not known: whatever serves either, for a recording may be judged again with a vehicle file.
    """
    fuels = (fuel,) if fuel else ("petrol", "diesel")
    torque = dict.fromkeys(name for each in fuels for name in torque_quantities(each))
    pedal = dict.fromkeys(name for each in fuels for name in pedal_quantities(each))
    return {**{name: (name,) for name in _USUAL}, "torque": tuple(torque), "pedal": tuple(pedal)}


def worth_asking(supported: Iterable[Set[int]], fuel: str | None = None) -> list[set[int]]:
    """Of each control unit's supported PIDs those to ask it: a quantity of the first unit that has it."""
    wanted = {name for among in purposes(fuel).values() for name in among} | PERIODS_S.keys()
    taken: set[str] = set()
    chosen = []
    for pids in supported:
        mine = set()
        for pid, row in sorted(PIDS.items()):
            if pid in pids and row.quantity in wanted - taken:
                mine.add(pid)
                taken.add(row.quantity)
        chosen.append(mine)
    return chosen


class Plan:
    """Chooses for one control unit, ask after ask. `pids`: what it is to be asked, see worth_asking."""

    def __init__(self, pids: Iterable[int], fuel: str | None = None) -> None:
        self.pids = frozenset(pids)
        self._purposes = purposes(fuel)
        self._asks = 0.0
        self._turn = dict.fromkeys(self.pids, 0.0)  # PID -> number of the ask it is due in
        self._since_slow = 0
        self._banned_s: dict[int, float] = {}
        self._shares: dict[str, dict[int, float]] = {}
        often = self._shares_in("unknown")
        slow = (pid for pid in self.pids if PIDS[pid].quantity in PERIODS_S and pid not in often)
        self._slow_s = dict.fromkeys(slow, 0.0)

    def choose(self, now_s: float, regime: Regime, most: int, prefer: Set[int] = frozenset()) -> list[int]:
        """The PIDs of the next ask, at most `most`; empty when nothing is worth asking now.

        prefer: choose among these if any of them is worth asking.
        """
        shares = self._shares_in(regime)
        fast = [pid for pid in shares if self._banned_s.get(pid, now_s) <= now_s]
        slow = [
            pid
            for pid, due_s in self._slow_s.items()
            if due_s <= now_s and self._banned_s.get(pid, now_s) <= now_s
        ]
        for pid in fast:  # nothing waits longer than its share in this regime says
            self._turn[pid] = min(self._turn[pid], self._asks + 1.0 / shares[pid])
        fast = [pid for pid in fast if pid in prefer] or fast
        fast.sort(key=lambda pid: (self._turn[pid], -shares[pid], pid))
        if prefer:
            slow = []
        slow.sort(key=self._slow_s.__getitem__)
        self._since_slow += 1
        if most == 1:
            chosen = slow[:1] if slow and (self._since_slow > _SLOW_EVERY or not fast) else fast[:1]
        else:
            chosen = [pid for pid in fast if self._turn[pid] <= self._asks + 0.5][:most] or fast[:1]
            chosen += slow[: 1 if len(chosen) < most else 0]
            for pid in fast:  # whatever still fits the answer's one frame costs nothing
                size = 1 + sum(1 + LENGTHS[each] for each in (*chosen, pid))
                if pid not in chosen and len(chosen) < most and size <= _SINGLE_FRAME_BYTES:
                    chosen.append(pid)
        wanted = sum(shares[pid] for pid in fast)  # answers, for each one of engine speed
        step = min(1.0, most / wanted) if wanted else 1.0
        self._asks += step
        for pid in chosen:
            if pid in self._slow_s:
                self._slow_s[pid] = now_s + PERIODS_S[PIDS[pid].quantity]
                self._since_slow = 0
            else:
                # Counted from its own turn, so that shares come out exactly; never far behind, so that
                # a PID that was left out for a while does not crowd out the rest.
                self._turn[pid] = max(self._turn[pid], self._asks - step - 1.0) + 1.0 / shares[pid]
        return chosen

    def fullest_share(self, regime: Regime) -> float:
        """The largest share any of its PIDs has: 1 when the unit gives engine speed, less for helpers."""
        return max(self._shares_in(regime).values(), default=1.0)

    def ban(self, pids: Iterable[int], until_s: float) -> None:
        """Leave PIDs out until then: the control unit does not answer them."""
        self._banned_s.update(dict.fromkeys(pids, until_s))

    @property
    def weight(self) -> float:
        """How much of a link shared with other units this one should get."""
        return sum(self._shares_in("unknown").values()) or 0.05

    def _shares_in(self, regime: Regime) -> dict[int, float]:
        """PID -> share, in this regime, of the PIDs of this unit."""
        if regime not in self._shares:
            by_purpose = SHARES.get(regime, _USUAL)
            shares = {}
            for purpose, quantities in self._purposes.items():
                share, served = by_purpose[purpose], False
                for quantity in quantities:
                    pid = next((pid for pid in self.pids if PIDS[pid].quantity == quantity), None)
                    if pid is None or (served and quantity in PERIODS_S):
                        continue  # not answered; or the last resort, not needed
                    shares[pid] = share
                    if purpose != "torque":
                        break
                    share, served = by_purpose[purpose] * SECOND_TORQUE_SHARE, True
            self._shares[regime] = shares
        return self._shares[regime]
