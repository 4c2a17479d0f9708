"""Codes the vehicle has set: they weigh, and do not decide."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from synthetic import VEHICLE, Truth, drive  # it lies beside this file

from livemon.diagnose.codes import WEIGHTS, Codes
from livemon.diagnose.diagnoser import Diagnoser
from livemon.diagnose.hypotheses import FINDINGS


def test_codes_weigh_but_do_not_decide() -> None:
    diagnoser = Diagnoser(VEHICLE)
    for item in drive(Truth(), 1, 120.0):
        diagnoser.feed(item)
    before = diagnoser.standing()["lockup_slip"]
    diagnoser.note_codes({"stored": {"P0741": "Torque Converter Clutch Circuit Performance or Stuck Off"}})
    after = diagnoser.standing()["lockup_slip"]
    assert before < after < 0.4
    assert set().union(*(set(w) for w in WEIGHTS.values())) <= set(FINDINGS)


def test_pending_codes_weigh_less_than_stored() -> None:
    stored, pending = Codes(), Codes()
    stored.note({"stored": {"P0741": "name"}})
    pending.note({"pending": {"P0741": "name"}})
    assert stored.log_evidence()["lockup_slip"] > pending.log_evidence()["lockup_slip"] > 0.0
