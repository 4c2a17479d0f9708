"""Which of three explains the scatter of engine speed: a sound vehicle, a shaking clutch, a shaking engine?

Scatter comes in blocks of about two seconds, counted by ln of their rms in three states: clutch on, clutch
open under power, standing. Each cause predicts what share of the blocks shakes, and how strongly:

    sound    none does; a few blocks hold a restless foot, a shift, a bump
    clutch   blocks with the clutch on do, for at least a quarter of the time, and no others
    engine   blocks in every state do, open at least as strongly as on (less inertia); it may idle smoothly

Level of the floor, share and strength are integrated out on grids. The widths are set on drives of two
independent simulators; docs/diagnosis.md says what each number rests on.
"""

from __future__ import annotations

from functools import cache, lru_cache
from math import exp, log
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from livemon.diagnose.mixture import mixture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from livemon.arrays import Array

BINS: Final = 28
BIN_LN: Final = 0.25
LEAST_LN: Final = log(0.1)  # rounding is 0.25 rpm: nothing below is real

_TEMPER: Final = 0.7  # blocks next to one another share their cause: they count for less than one each
_FLOORS: Final = 10  # 0.1 to 5 rpm
_FLOOR_SD, _FLOOR_MOST_RPM = 0.35, 4.0
_SHAKES: Final = 7  # 3.2 to 40 rpm rms; less is not felt. Common practice, no source
_SHAKE_LEAST_RPM, _SHAKE_MOST_RPM, _STEADY_LEAST_RPM = 3.2, 40.0, 4.5
_ABOVE_FLOOR_LN: Final = 0.7
# Sound engines, too, run rougher in some gears and loads than in others, by less than is felt.
_MILD_RPM: Final = (1.3, 1.9, 2.5)
_MILD: Final = 0.15  # share of sound vehicles that do
# (share of blocks that shake, sd of ln of how strongly)
_PATTERNS: Final = ((0.3, 0.6), (0.6, 0.6), (0.93, 0.6), (0.93, 0.35))
# Share of odd blocks in a sound vehicle, and how likely each is; decay of their strength per unit of ln.
_ODD_ON: Final = ((0.08, 0.4), (0.2, 0.35), (0.4, 0.25))
_ODD_OPEN: Final = ((0.05, 0.5), (0.3, 0.5))
_ODD_STILL: Final = ((0.05, 0.5), (0.4, 0.5))
_ODD_ELSEWHERE: Final = 0.15  # where something shakes in those, one share will do
_DECAY_ON, _DECAY_OPEN, _DECAY_STILL = 1.2, 1.0, 2.0
_KNEE_RPM, _KNEE_DECAY = 5.0, 0.8  # with the clutch on the vehicle steadies the engine: stronger is rare
_STRONGER_OPEN: Final = 4  # steps of the strength grid by which an engine may shake more without the vehicle
# Floor with the clutch on: the readings' own noise, as at rest, and how roughly the engine runs, ln-normal.
_ROUGH_RPM, _ROUGH_LN_SD, _AT_REST_SD, _AT_REST_TRUST = 0.45, 0.8, 0.3, 0.85
_IDLE_MOST: Final = 1.5
_SMOOTH_IDLE: Final = 0.5  # share of misfires that do not show at idle
_SLEEPS: Final = 0.35  # share of bad clutches that do not shake in a drive, or too little to tell
# Of vehicles without a fault of ours, how many misfire, and how many shake as a clutch would for other
# reasons. Common practice, no source.
_MISFIRES, _OTHERWISE = 0.09, 0.008
_OTHERWISE_UNTOLD: Final = (
    0.04  # where neither pedal nor torque is read: a restless foot shakes the vehicle too
)
_SHOWS_ORDER: Final = 0.9  # share of misfires whose engine order gets through the control unit's averaging


class Explained(NamedTuple):
    """ln likelihood of the scatter under each cause, up to a common constant."""

    sound: float
    clutch: float
    engine: float

    @property
    def shaking(self) -> float:
        """Probability, all three alike, that something shakes while the clutch is on."""
        top = max(self)
        sound, clutch, engine = (exp(value - top) for value in self)
        return 1.0 - sound / (sound + clutch + engine)

    def against_none(
        self, swings: float = 0.0, swings_engine: float = 0.0, driver_told: bool = True
    ) -> float:
        """ln evidence of a bad clutch relative to a vehicle without a fault of ours.

        swings, swings_engine: ln evidence of a swing of the clutch, from the spectrum, over a sound vehicle
        and over a misfiring one. driver_told: pedal or torque were read.
        """
        otherwise = _OTHERWISE if driver_told else _OTHERWISE_UNTOLD
        rivals = (
            self.sound + log(1.0 - _MISFIRES - otherwise) - swings,
            self.engine + log(_MISFIRES) - swings_engine,
            self.clutch + log(otherwise),
        )
        top = max(rivals)
        return self.clutch - top - log(sum(exp(value - top) for value in rivals))


def explain(
    on: Sequence[int], still: Sequence[int], opened: Sequence[int], rest: Sequence[int], order: float
) -> Explained:
    """Likelihoods from counts of blocks by bin. `rest`: blocks standing or coasting, for the floor.

    order: ln evidence that the scatter follows half an order of engine speed, as misfire does.
    """
    import numpy as np

    tables = _tables()
    counts = _TEMPER * np.asarray(on, dtype=np.float64)
    floor = _floor_weights(tuple(rest))
    calm = floor[:, None] * tables.odd_on
    plain = _ln_sum(_times(tables.sound_on, counts), calm)
    everything = _times(tables.shaken_on, counts)  # floor, odd share, pattern, strength
    mild, shaken = everything[..., : len(_MILD_RPM)], everything[..., len(_MILD_RPM) :]
    little = _ln_sum(mild, calm[:, :, None, None] / mild[0, 0].size)
    sound = mixture(_MILD, little, plain)
    weights = calm[:, :, None, None] * tables.allowed[:, None]
    awake = _ln_sum(shaken, weights)
    clutch = mixture(_SLEEPS, sound, awake)
    elsewhere = _gain("open", tuple(opened)) + _gain("still", tuple(still))
    engine = _ln_sum(shaken + elsewhere, weights)
    engine += mixture(_SHOWS_ORDER, min(order, 50.0))
    return Explained(sound, clutch, engine)


class _Tables(NamedTuple):
    floors: Array
    odd_on: Array
    allowed: Array  # prior of pattern and strength at each floor
    sound_on: Array  # ln probability of each bin; floor, odd share, bin
    shaken_on: Array  # floor, odd share, pattern, strength, bin
    sound_open: Array
    shaken_open: Array
    sound_still: Array
    shaken_still: Array


@cache
def _tables() -> _Tables:
    import numpy as np

    bins = LEAST_LN + BIN_LN * (np.arange(BINS) + 0.5)

    def bell(middle: float, sd: float) -> Array:
        density = np.exp(-0.5 * ((bins - middle) / sd) ** 2)
        return np.asarray(density / density.sum())

    def odd(floor: float, decay: float, knee: float) -> Array:
        above = np.maximum(bins - floor, 0.0) / decay + np.maximum(bins - max(knee, floor), 0.0) / _KNEE_DECAY
        density = np.where(bins > floor, np.exp(-above), 0.0)
        return np.asarray(density / density.sum())

    def sound(odds: tuple[tuple[float, float], ...], decay: float, knee: float = 99.0) -> Array:
        rows = []
        for floor in floors:
            calm, strange = bell(floor, _FLOOR_SD), odd(floor, decay, knee)
            rows.append([(0.99 - share) * calm + share * strange + 0.01 / BINS for share, _ in odds])
        return np.array(rows)

    def shaken(calm: Array, strengths: Array) -> Array:
        share = np.array([share for share, _ in _PATTERNS])[:, None, None]
        shaking = np.array([[0.97 * bell(x, sd) + 0.03 / BINS for x in strengths] for _, sd in _PATTERNS])
        return np.asarray(np.log((1.0 - share) * calm[:, :, None, None] + share * shaking))

    floors = np.linspace(LEAST_LN, log(_FLOOR_MOST_RPM), _FLOORS)
    strengths, step = np.linspace(log(_SHAKE_LEAST_RPM), log(_SHAKE_MOST_RPM), _SHAKES, retstep=True)
    stronger = np.concatenate((strengths, strengths[-1] + step * np.arange(1, _STRONGER_OPEN)))
    on, opened = sound(_ODD_ON, _DECAY_ON, log(_KNEE_RPM)), sound(_ODD_OPEN, _DECAY_OPEN)
    still = sound(_ODD_STILL, _DECAY_STILL)
    odd_elsewhere = ((_ODD_ELSEWHERE, 1.0),)
    allowed = np.repeat((strengths > floors[:, None] + _ABOVE_FLOOR_LN)[:, None, :], len(_PATTERNS), axis=1)
    steady = np.array([sd < 0.5 for _, sd in _PATTERNS])
    allowed &= ~(steady[:, None] & (strengths < log(_STEADY_LEAST_RPM)))
    return _Tables(
        floors,
        np.array([weight for _, weight in _ODD_ON]),
        allowed / (len(_PATTERNS) * _SHAKES),
        np.log(on),
        shaken(on, np.concatenate((np.log(_MILD_RPM), strengths))),
        np.log(opened),
        shaken(sound(odd_elsewhere, _DECAY_OPEN), stronger),
        np.log(still),
        shaken(sound(odd_elsewhere, _DECAY_STILL), stronger),
    )


@lru_cache(maxsize=4)
def _floor_weights(rest: tuple[int, ...]) -> Array:
    """How likely each floor is with the clutch on, from how smoothly the engine turns otherwise."""
    import numpy as np

    floors = _tables().floors
    flat = np.full(_FLOORS, 1.0 / _FLOORS)
    total = sum(rest)
    if total < 4:
        return flat
    at, below = 0, rest[0]
    while below < 0.25 * total:
        at += 1
        below += rest[at]
    noise_rpm = exp(LEAST_LN + BIN_LN * (at + 0.5))
    rough_rpm = _ROUGH_RPM * np.exp(_ROUGH_LN_SD * np.array((-1.4, -0.7, 0.0, 0.7, 1.4)))
    middle = np.log(np.hypot(noise_rpm, rough_rpm))
    weights = np.array((0.1, 0.23, 0.34, 0.23, 0.1))
    near = np.exp(-0.5 * ((floors[:, None] - middle) / _AT_REST_SD) ** 2) @ weights
    return np.asarray(_AT_REST_TRUST * near / near.sum() + (1.0 - _AT_REST_TRUST) * flat)


@lru_cache(maxsize=8)
def _gain(state: Literal["open", "still"], counts: tuple[int, ...]) -> Array:
    """ln likelihood ratio of a state's blocks, shaking over sound; by pattern and strength, clutch on."""
    import numpy as np

    if not any(counts):
        return np.zeros((len(_PATTERNS), _SHAKES))
    tables = _tables()
    weighed = _TEMPER * np.asarray(counts, dtype=np.float64)
    is_open = state == "open"
    calm = _times(tables.sound_open if is_open else tables.sound_still, weighed)
    rough = _times(tables.shaken_open if is_open else tables.shaken_still, weighed)
    ratio = _ln_mean(rough, (0, 1)) - _ln_mean(calm, (0, 1))
    stronger = np.stack([ratio[:, i : i + _SHAKES] for i in range(_STRONGER_OPEN)])
    gain = _ln_mean(stronger, 0)
    if is_open:
        return gain
    # Sound engines hunt at idle, too: never more than a hint.
    return np.minimum(np.logaddexp(log(1.0 - _SMOOTH_IDLE) + gain, log(_SMOOTH_IDLE)), _IDLE_MOST)


def _ln_mean(values: Array, axis: int | tuple[int, ...]) -> Array:
    import numpy as np

    top = values.max()
    return np.asarray(np.log(np.exp(values - top).mean(axis=axis) + 1e-300) + top)


def _times(table: Array, counts: Array) -> Array:
    """table @ counts as one product of matrix and vector, which is several times faster."""
    import numpy as np

    return np.asarray((table.reshape(-1, BINS) @ counts).reshape(table.shape[:-1]))


def _ln_sum(values: Array, weights: Array) -> float:
    import numpy as np

    top = float(values.max())
    return top + log(float((np.exp(values - top) * weights).sum()) + 1e-300)
