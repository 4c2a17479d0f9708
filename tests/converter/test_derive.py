"""Derived curves against published converters, and what every set of curves must be."""

from __future__ import annotations

import csv
from math import log
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livemon.converter.derive import SPEED_RATIO, derive
from livemon.converter.mean_path import Geometry, characteristic
from livemon.diagnose.nuisance import State, prior
from livemon.errors import UsageError
from livemon.vehicle import Vehicle, curves_of

VECTORS = Path(__file__).resolve().parent.parent / "vectors"


def published() -> dict[str, np.ndarray]:
    """Sources in the first lines of the file. K over K at stall x 100."""
    with (VECTORS / "published_converters.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    keys = ("speed_ratio", "k", "torque_ratio", "coupling")
    tables = {
        name: np.array([[float(row[key]) for key in keys] for row in rows if row["name"] == name])
        for name in dict.fromkeys(row["name"] for row in rows)
    }
    for table in tables.values():
        table[:, 1] *= 100.0 / table[0, 1]
    return tables


@pytest.mark.parametrize("name", published())
def test_three_numbers_give_the_published_curve(name: str) -> None:
    """Given K at stall, stall torque ratio and coupling only: rms 6 % in K, 3 % in TR up to SR 0.85."""
    table = published()[name]
    curves = derive(100.0, 0.0, float(table[0, 2]), float(table[0, 3]))
    low = table[table[:, 0] <= 0.85]
    k, tr = np.interp(low[:, 0], SPEED_RATIO, curves.k), np.interp(low[:, 0], SPEED_RATIO, curves.tr)
    assert np.sqrt(np.mean((k / low[:, 1] - 1.0) ** 2)) < 0.06
    assert np.sqrt(np.mean((tr / low[:, 2] - 1.0) ** 2)) < 0.03


@pytest.mark.parametrize("name", published())
def test_band_covers_the_published_curve(name: str) -> None:
    """At least 90 % of all the points, also past coupling, lie within two standard deviations."""
    table = published()[name]
    curves = derive(100.0, 0.0, float(table[0, 2]), float(table[0, 3]))
    for column, mean, sd in ((1, curves.k, curves.k_sd), (2, curves.tr, curves.tr_sd)):
        off = np.abs(np.interp(table[:, 0], SPEED_RATIO, mean) - table[:, column])
        assert np.mean(off <= 2.0 * np.interp(table[:, 0], SPEED_RATIO, sd) + 1e-9) >= 0.9


def test_torque_ratio_past_coupling_moves_by_what_the_diagnosis_allows() -> None:
    """From SR 0.84 to 0.92, derived against published: a nuisance of its own, neither lazy nor too narrow."""
    allowed = prior(Vehicle(), curves_of(Vehicle())).sd[State.TR_PAST]
    moves = []
    for table in published().values():
        curves = derive(100.0, 0.0, float(table[0, 2]), float(table[0, 3]))
        off = [
            log(np.interp(ratio, table[:, 0], table[:, 2]) / np.interp(ratio, SPEED_RATIO, curves.tr))
            for ratio in (0.84, 0.92)
        ]
        moves.append(abs(off[1] - off[0]))
    assert max(moves) < 2.0 * allowed
    assert sorted(moves)[len(moves) // 2] > 0.5 * allowed


def test_band_is_not_lazy() -> None:
    """A launch lives below SR 0.6: there the band must leave a lost reaction visible."""
    curves = derive(150.0, 4.0, 2.0, 0.88)
    for i in (0, 20, 40):
        apart = np.log(curves.k[i] / curves.k_lost[i])
        assert apart > 2.5 * curves.k_sd[i] / curves.k[i]


@settings(max_examples=25, deadline=None)
@given(st.floats(30.0, 300.0), st.floats(1.0, 3.0), st.floats(0.6, 0.98))
def test_any_curves_are_curves(k0: float, torque_ratio: float, coupling: float) -> None:
    try:
        c = derive(k0, 0.03 * k0, torque_ratio, coupling)
    except UsageError:
        assert torque_ratio > 2.0 and coupling > 0.9
        return
    k, tr = np.array(c.k), np.array(c.tr)
    assert len(c.k) == len(c.tr_seized) == 101
    assert k[0] == pytest.approx(k0) and tr[0] == pytest.approx(torque_ratio, abs=1e-6)
    assert np.all(k > 0.9 * k0) and np.all(np.isfinite(k)) and np.all(np.diff(tr) <= 1e-9)
    assert np.all(tr * SPEED_RATIO < 1.0)
    assert min(c.k_sd) > 0.0 and min(c.tr_sd) > 0.0 and min(c.k_lost_sd) > 0.0
    assert np.all(np.array(c.k_lost) <= k + 1e-9)
    below, above = coupling > SPEED_RATIO, coupling + 0.02 < SPEED_RATIO
    np.testing.assert_allclose(np.array(c.k_seized)[below], k[below])
    np.testing.assert_allclose(np.array(c.tr_seized)[below], tr[below])
    assert np.all(np.array(c.tr_seized)[above] < tr[above])
    assert np.interp(coupling, SPEED_RATIO, tr) == pytest.approx(1.0, abs=0.03)


def test_loss_of_reaction_spans_what_the_physics_spans() -> None:
    """10 to 45 % off K at stall over all geometries; service rules point at the stator from 30-33 % down."""
    c = derive(150.0, 0.0, 2.0, 0.88)
    lost, sd = 1.0 - c.k_lost[0] / c.k[0], c.k_lost_sd[0] / c.k[0]
    assert 0.2 < lost < 0.4
    assert lost - 2.0 * sd < 0.15 and lost + 2.0 * sd > 0.42


def test_a_held_stator_goes_on_taking_torque_up_to_equal_speeds() -> None:
    """What the mean-path model says of one geometry [hrovat-tobler] holds for the mean of plausible ones."""
    c = derive(150.0, 0.0, 2.0, 0.88)
    held = characteristic(Geometry(), [0.88, 1.0], "held").capacity
    rise, of_one = c.k_seized[100] / c.k_seized[88], held[1] / held[0]
    assert 0.7 * of_one < rise < 1.6 * of_one
    assert c.k_seized[100] < 0.4 * c.k[100]
    assert np.all(np.array(c.k_seized) <= np.array(c.k) + 1e-9)
    assert np.all(np.diff(np.array(c.k_seized)[90:]) > 0.0)


def test_a_number_not_given_widens_the_band_and_is_named() -> None:
    full, bare = derive(150.0, 4.0, 1.95, 0.87), derive(150.0, 4.0)
    assert bare.assumed == ("converter.stall_torque_ratio", "converter.coupling_speed_ratio")
    assert full.assumed == ()
    assert bare.tr_sd[0] > 3.0 * full.tr_sd[0] and bare.tr_sd[80] > full.tr_sd[80]


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ((150.0, 4.0, 0.9, 0.87), "stall_torque_ratio of 1 to 6"),
        ((150.0, 4.0, 1.9, 1.1), "coupling_speed_ratio of 0.5 to 1"),
        ((5.0, 1.0, 1.9, 0.87), "10 to 600"),
        ((150.0, 4.0, 3.4, 0.97), "less power out"),
    ],
)
def test_impossible_numbers_are_refused(numbers: tuple[float, float, float, float], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        derive(*numbers)
