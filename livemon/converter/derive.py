"""A converter's curves from the few numbers a shop knows.

The shape comes from the mean-path model: every plausible geometry near the given stall torque ratio and
coupling point is solved, stretched the last bit so that it meets both exactly, and averaged. The band is
their spread, the spread of real converters about the model, and the error of the given numbers.
docs/converter.md shows how well that does on published tables.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from livemon.arrays import Array
from livemon.converter.curves import GRID_STEPS, Curves
from livemon.converter.geometries import Sample, nearest
from livemon.converter.mean_path import operating_point
from livemon.errors import UsageError

SPEED_RATIO: Final[Array] = np.linspace(0.0, 1.0, GRID_STEPS + 1)

# What to take for a number nobody gave, with its sd: mean and spread of the published converters in
# docs/converter.md (stall torque ratio 1.7 to 2.3, coupling 0.84 to 0.94).
USUAL_TORQUE_RATIO: Final = (1.95, 0.20)
USUAL_COUPLING: Final = (0.87, 0.03)
# A number given is still only so good: data-sheet rounding, production scatter, fluid temperature.
GIVEN_TORQUE_RATIO_SD: Final = 0.04  # share of the torque gain (ratio - 1), and 0.02 of the ratio
GIVEN_COUPLING_SD: Final = 0.012

# Real converters about the model, from the published tables: see docs/converter.md.
_MODEL_K_SD: Final = 0.035  # share of K once the turbine turns
_MODEL_TR_SD: Final = 0.02
_MODEL_LOST_SD: Final = 0.05  # share of K at stall; nobody has published a converter with a free stator
_FREE_TR_SD: Final = 0.022  # past coupling: drag of bearings and of the freewheeling stator
_FREE_TR_DROP: Final = 0.01
_MOST_EFFICIENCY: Final = 0.985
_STRAIGHT_FROM: Final = 0.90  # past this (and past coupling) 1/K^2 runs straight to zero at SR = 1
_FULL_REACTION_GAIN: Final = 0.4  # stall torque gain below which the sample is too thin to show the loss
_LEAST_LOAD: Final = 0.01  # share of the stall 1/K^2 that remains at SR = 1: drag keeps K finite


class Shape(NamedTuple):
    """Curves over SPEED_RATIO with the size taken out: K over K at stall, each with its sd."""

    log_k: Array
    log_k_sd: Array
    torque_ratio: Array
    torque_ratio_sd: Array
    log_lost: Array  # ln(K with the stator free / K working)
    log_lost_sd: Array
    log_k_lost_sd: Array  # of K with the stator free itself: more than both apart, as they rise together
    log_seized: Array  # ln(K with the stator held / K working); 0 up to coupling
    torque_ratio_seized: Array


def derive(
    k0: float,
    k0_sd: float,
    torque_ratio: float | None = None,
    coupling: float | None = None,
    torque_ratio_sd: float | None = None,
    coupling_sd: float | None = None,
) -> Curves:
    """Curves from K at stall [rpm/sqrt(N m)] with its sd, stall torque ratio and coupling speed ratio.

    What is None is taken from the usual and named in `assumed`. UsageError on impossible numbers: K outside
    10..600, torque ratio < 1, coupling outside 0.5..1, or the two together giving more power than goes in.
    Source: mean-path model [hrovat-tobler]; spread from the published tables in docs/converter.md.
    """
    assumed: list[str] = []
    if torque_ratio is None:
        torque_ratio, torque_ratio_sd = USUAL_TORQUE_RATIO
        assumed.append("converter.stall_torque_ratio")
    if coupling is None:
        coupling, coupling_sd = USUAL_COUPLING
        assumed.append("converter.coupling_speed_ratio")
    check(k0, torque_ratio, coupling)
    coupling = min(coupling, 0.99)
    gain = torque_ratio - 1.0
    if torque_ratio_sd is None:
        torque_ratio_sd = float(np.hypot(GIVEN_TORQUE_RATIO_SD * gain, 0.02))
    if coupling_sd is None:
        coupling_sd = GIVEN_COUPLING_SD
    shape = shape_of(torque_ratio, coupling)
    below = np.clip(1.0 - SPEED_RATIO / coupling, 0.0, 1.0)
    # d TR / d coupling of a straight line to (coupling, 1), faded out just past it
    slope = gain * SPEED_RATIO / coupling**2 * np.clip(1.0 - (SPEED_RATIO - coupling) / 0.05, 0.0, 1.0)
    tr_sd = _hypot(shape.torque_ratio_sd, torque_ratio_sd * below, coupling_sd * slope)
    of_k0 = np.full_like(below, k0_sd / k0)
    log_k_sd, log_k_lost_sd = _hypot(shape.log_k_sd, of_k0), _hypot(shape.log_k_lost_sd, of_k0)
    return assemble(
        shape,
        coupling,
        k=k0 * np.exp(shape.log_k),
        log_k_sd=log_k_sd,
        tr=shape.torque_ratio,
        tr_sd=tr_sd,
        log_k_lost_sd=log_k_lost_sd,
        assumed=tuple(assumed),
    )


def assemble(
    shape: Shape,
    coupling: float,
    *,
    k: Array,
    log_k_sd: Array,
    tr: Array,
    tr_sd: Array,
    log_k_lost_sd: Array,
    assumed: tuple[str, ...] = (),
) -> Curves:
    """The record from working K and torque ratio over the grid and the other two states of `shape`."""
    k_lost = k * np.exp(shape.log_lost)
    past = coupling < SPEED_RATIO
    return Curves(
        k=_table(k),
        k_sd=_table(k * log_k_sd),
        tr=_table(tr),
        tr_sd=_table(tr_sd),
        k_lost=_table(k_lost),
        k_lost_sd=_table(k_lost * log_k_lost_sd),
        k_seized=_table(k * np.exp(shape.log_seized)),
        tr_seized=_table(np.where(past, np.minimum(shape.torque_ratio_seized, tr), tr)),
        coupling_speed_ratio=coupling,
        assumed=assumed,
    )


def check(k0: float, torque_ratio: float, coupling: float) -> None:
    """UsageError when no converter can have these numbers."""
    where = "[converter]"
    if not 10.0 <= k0 <= 600.0:  # trucks reach down to 30, small cars up to 300
        expected = "stall_speed_rpm over the root of stall_torque_nm of 10 to 600 rpm/sqrt(N m)"
        raise UsageError(expected, f"{k0:.4g}", where, "check both, and their units")
    if not 1.0 <= torque_ratio <= 6.0:
        raise UsageError(
            "stall_torque_ratio of 1 to 6", f"{torque_ratio:g}", where, "check it: the stator only adds"
        )
    if not 0.5 <= coupling <= 1.0:
        raise UsageError("coupling_speed_ratio of 0.5 to 1", f"{coupling:g}", where, "check it")
    # A straight line from (0, TR) to (coupling, 1) has this efficiency at its peak. Real curves hang below
    # the line, the more the higher TR: the allowance is what the widest sample of geometries reaches.
    peak = torque_ratio**2 * coupling / (4.0 * max(torque_ratio - 1.0, 1.0))
    if peak > 1.0 + 0.12 * max(torque_ratio - 2.0, 0.0):
        raise UsageError(
            "less power out of the converter than in",
            f"stall_torque_ratio {torque_ratio:g} with coupling_speed_ratio {coupling:g}",
            where,
            "lower one of them",
        )


@lru_cache(maxsize=64)
def shape_of(torque_ratio: float, coupling: float) -> Shape:
    """Mean and spread over the plausible geometries of what follows from the two numbers; about 4 ms."""
    sample, weight, distance = nearest(torque_ratio, coupling)
    held, free, held_tr = _members(sample, coupling)

    def average(values: Array) -> tuple[Array, Array]:
        mean = weight @ values
        return mean, np.sqrt(weight @ (values - mean) ** 2)

    past = coupling < SPEED_RATIO
    log_k, log_k_sd = average(np.where(past, free, held))
    log_k = _straighten(log_k, coupling)
    # a converter that hardly multiplies has hardly a reaction to lose
    reaction = min(1.0, (torque_ratio - 1.0) / _FULL_REACTION_GAIN)
    fall = np.where(past, 0.0, reaction * np.minimum(free - held, 0.0))
    log_lost, log_lost_sd = average(fall)
    _, log_k_lost_sd = average(np.where(past, free, held) + fall)
    # stretch each member's torque gain to the wanted one; past coupling only drag is left to take off
    stretch = (torque_ratio - 1.0) / (sample.torque_ratio[:, None] - 1.0)
    tr, tr_sd = average(np.where(past, 1.0, np.maximum(1.0 + (held_tr - 1.0) * stretch, 1.0)))
    tr -= _FREE_TR_DROP * np.clip((SPEED_RATIO - coupling) / 0.04, 0.0, 1.0)
    model_k, model_tr, model_lost = _model_sd(coupling, distance)
    return Shape(
        log_k=log_k - log_k[0],
        log_k_sd=_hypot(log_k_sd, model_k),
        torque_ratio=np.minimum(tr, _MOST_EFFICIENCY / np.maximum(SPEED_RATIO, 0.1)),
        torque_ratio_sd=_hypot(tr_sd, model_tr),
        log_lost=log_lost,
        log_lost_sd=_hypot(log_lost_sd, reaction * model_lost),
        log_k_lost_sd=_hypot(log_k_lost_sd, model_k, reaction * model_lost),
        log_seized=np.where(past, np.minimum(_of_load(weight, held) - log_k, 0.0), 0.0),
        torque_ratio_seized=average(held_tr)[0],
    )


def _of_load(weight: Array, log_k: Array) -> Array:
    """Mean over members by the torque they take: some take next to none and would run away as a log."""
    mean: Array = -0.5 * np.log(weight @ np.exp(-2.0 * log_k))
    return mean


def _members(sample: Sample, coupling: float) -> tuple[Array, Array, Array]:
    """Every member over SPEED_RATIO, its own stretched so that its coupling point falls on the wanted one.

    Shapes (n, 101): ln(K / K at stall) with the stator held, the same with it free, torque ratio held.
    """
    own = sample.coupling[:, None]
    below = SPEED_RATIO * own / coupling
    above = 1.0 - (1.0 - SPEED_RATIO) * (1.0 - own) / (1.0 - coupling)
    ratio = np.where(coupling < SPEED_RATIO, above, below)
    held = operating_point(sample.geometry, 1.0, ratio, "held")
    free = operating_point(sample.geometry, 1.0, ratio, "free")
    stall = held.pump_nm[:, :1]
    log_held, log_free = (-0.5 * np.log(np.maximum(p.pump_nm / stall, _LEAST_LOAD)) for p in (held, free))
    return log_held, log_free, held.torque_ratio


def _model_sd(coupling: float, distance: float) -> tuple[Array, Array, Array]:
    """How real converters scatter about the model: sd of ln K, of the torque ratio, of ln(K lost / K)."""
    moving = np.clip(SPEED_RATIO / 0.15, 0.0, 1.0)  # at stall the given numbers hold
    near_one = np.clip((SPEED_RATIO - 0.85) / 0.15, 0.0, 1.0)
    strange = min(max(1.0, 0.5 * distance), 3.0)  # little like it in the sample: trust the shape less
    return (
        moving * _MODEL_K_SD * strange + 0.10 * near_one + 0.8 * near_one**4,
        np.where(coupling < SPEED_RATIO, _FREE_TR_SD, moving * _MODEL_TR_SD * strange),
        _MODEL_LOST_SD * np.clip(1.0 - SPEED_RATIO / coupling, 0.0, 1.0),
    )


def _straighten(log_k: Array, coupling: float) -> Array:
    """Past coupling (and 0.9) let 1/K^2 run straight to almost zero at SR = 1, as published tables do."""
    start = min(max(coupling, _STRAIGHT_FROM), 0.99)
    load = np.exp(-2.0 * log_k)
    at_start = float(np.interp(start, SPEED_RATIO, load))
    line = np.maximum(at_start * (1.0 - SPEED_RATIO) / (1.0 - start), _LEAST_LOAD * load[0])
    return np.where(start < SPEED_RATIO, -0.5 * np.log(line), log_k)


def _hypot(*parts: Array) -> Array:
    return np.sqrt(sum(np.square(part) for part in parts))


def _table(values: Array) -> tuple[float, ...]:
    return tuple(values.tolist())
