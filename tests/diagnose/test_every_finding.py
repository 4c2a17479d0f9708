"""Whatever can be found has a place in every table that speaks of findings: a new one cannot be forgotten."""

from __future__ import annotations

from collections.abc import Collection

import pytest

from livemon import records
from livemon.diagnose import alarms, alternatives, checks, hypotheses
from livemon.views import sentences

FAULTS = set(hypotheses.FINDINGS) - {"none"}
ALL = {*FAULTS, "none", "not_enough_evidence"}


@pytest.mark.parametrize(
    ("table", "of"),
    [
        (hypotheses.PRIOR, FAULTS | {"none"}),
        (records.TITLES, FAULTS | {"none"}),
        (checks.CHECKS, FAULTS | {"none"}),
        (alarms.SENTENCES, FAULTS),
        (alternatives.SHOWS, FAULTS),
        (sentences.SENTENCE, ALL),
        (sentences.SHORT, ALL),
    ],
)
def test_every_finding_has_its_place(table: Collection[str], of: set[str]) -> None:
    assert set(table) == of


def test_the_prior_is_one() -> None:
    assert sum(hypotheses.PRIOR.values()) == pytest.approx(1.0)
    assert hypotheses.PRIOR["none"] == 0.5
