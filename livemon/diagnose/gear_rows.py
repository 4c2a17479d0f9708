"""Gears that slip, in the rows of the slip bank: what one window says of them, and what all did together."""

from __future__ import annotations

from typing import Final

import numpy as np

from livemon.arrays import Array
from livemon.diagnose.gear_slip import GearWatch
from livemon.diagnose.row_logs import limited
from livemon.diagnose.slip_rows import ON, OPEN, Predicted, SlipRows
from livemon.diagnose.windows import Window
from livemon.diagnose.worn_gears import WornGears

# Windows of one stretch count as partly the same look, for the tyre, curve and torque that they share. Every
# other gear shows those too, so of one that slips they tell more. Set on five simulators: without this none
# of 552 sound drives came to odds of 1.6 by it, and of 70 with such a gear 15 stood between that and 20.
_MORE: Final = 1.5
TELLS: Final = 0.12  # of engine speed: K too flat to say more closely what the open converter slips


class GearRows:
    """slips: what each gear did when it likely slipped."""

    def __init__(self, rows: SlipRows, torque_nm: float, worn: WornGears) -> None:
        """torque_nm: peak. rows: with one cause for each of `worn`."""
        self._rows, self._worn, self.slips = rows, worn, GearWatch(torque_nm)
        self._own: Array = np.zeros(len(worn.sets))  # what windows of these gears themselves say

    def weigh(
        self,
        w: Window,
        torque_nm: float,
        slip_rpm: float,
        p: Predicted,
        open_: Array,
        total: Array,
        believed: Array,
        weight: float,
        sure: float,
    ) -> None:
        """Rows of this window's gear may explain it by that gear slipping: `total` (densities by row) and
        `believed` change. open_: chance that the clutch is open, by row; sure: that the gear is the one."""
        rows, rpm, slipping = self._rows, w.engine_rpm, self._worn.of(w.gear)
        if w.gear is None or not slipping:
            return
        of, chance = self.slips.density, self.slips.chance(w.gear, torque_nm)
        seen = (0.0, 0.0)  # how likely it slips by the row likeliest so, and share lost
        told = (0.0, 0.0)  # densities if it slips and if it holds, by the row that explains it best
        for row in (first + i for first in range(rows.first_gear, rows.count, rows.causes) for i in slipping):
            if p.variance[OPEN, row] > (TELLS * rpm) ** 2:
                continue
            share_open = float(open_[row])
            on, open_rpm, _ = p.slip[:, row].tolist()
            if_open = share_open * of(w.gear, slip_rpm, open_rpm, rpm, float(p.variance[OPEN, row]))
            if_on = (1.0 - share_open) * of(w.gear, slip_rpm, on, rpm, float(p.variance[ON, row]))
            density = 0.5 * sure * (if_open + if_on)
            told = max(told, (density, float(total[row])), key=sum)
            slips, holds = chance * density, (1.0 - chance) * float(total[row])
            sound = on if if_on > if_open else open_rpm
            if slips > holds:
                seen = max(seen, (slips, (slip_rpm - sound) / max(rpm - sound, 1.0)))
            believed[row] *= holds / (holds + slips)
            total[row] = holds + slips
        if sum(told) > 0.0:
            self.slips.learn(w.gear, torque_nm, *told, weight)
        if seen[0] > 0.0:
            self.slips.slipped(w.gear, seen[1], torque_nm, w.start_s, w.end_s)

    def note(self, gear: int | None, told: Array) -> None:
        """told: what a window in this gear has said of every cause."""
        for i in self._worn.of(gear):
            self._own[i] += told[self._rows.first_gear + i] - told[self._rows.sound]

    def log_evidence(self, now: Array, sound: float) -> float:
        """ln evidence that a gear slips, or two. now: ln likelihood of every cause; sound: of no fault."""
        return self._worn.log_evidence(self._told(now, sound))

    def slipping(self, now: Array, sound: float) -> tuple[int, ...]:
        """The gears likeliest to slip, if any do, the one that slipped longest first."""
        return self._worn.likeliest(self._told(now, sound), self.slips.seen)

    def _told(self, now: Array, sound: float) -> Array:
        return _MORE * limited(now[self._rows.first_gear :] - sound, self._own)
