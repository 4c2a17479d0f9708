"""The result: the promised keys, probabilities that sum to 1, and never a NaN or an infinity."""

from __future__ import annotations

import json
from dataclasses import replace
from math import inf, isfinite, nan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.errors import UsageError
from livemon.records import Finding, FindingName, Stretch
from livemon.views import example, result
from livemon.views.sentences import CAUSES

TOP = [
    "schema",
    "livemon",
    "recording",
    "vehicle",
    "call",
    "probabilities",
    "findings",
    "launches",
    "stretches",
    "lockup",
    "counters",
]


def _strict(text: str) -> Any:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    return json.loads(text, parse_constant=refuse)


def test_the_promised_shape() -> None:
    built = result.build(example.drive())
    assert list(built) == TOP
    assert built["schema"] == 1
    assert built["recording"] == {
        "source": "van7.log",
        "frames": 4210,
        "readings": 2100,
        "duration_s": 124.5,
    }
    assert built["vehicle"] == {"name": "Works van 7", "assumed": list(example.VEHICLE.assumed)}
    assert "body.drag_area_m2" in built["vehicle"]["assumed"]
    assert list(built["call"]) == ["finding", "probability", "where", "because", "against", "check_next"]
    assert set(built["probabilities"]) == set(CAUSES)
    assert "not_enough_evidence" not in built["probabilities"]
    assert built["findings"][0] == {
        "finding": "stator_not_holding",
        "first_s": 58.0,
        "last_s": 64.0,
        "evidence": {"torque_ratio": 1.04, "samples": 61},
    }
    assert {"start_s", "end_s", "samples", "r_k", "r_k_sd", "r_t", "r_t_sd"} <= set(built["launches"][0])


number = (
    st.floats()
    | st.integers()
    | st.sampled_from([nan, inf, -inf, np.float64(nan), np.int64(3), np.float32(1.5)])
)
numbers = st.dictionaries(
    st.text(max_size=5), number | st.none() | st.text(max_size=5) | st.booleans(), max_size=4
)


@given(
    given=st.dictionaries(st.sampled_from(CAUSES), number),
    evidence=numbers,
    r_k=st.none() | st.floats(),
    probability=st.floats(),
)
def test_any_numbers_give_strict_json(
    given: dict[FindingName, float], evidence: dict[str, Any], r_k: float | None, probability: float
) -> None:
    drive = replace(
        example.drive(),
        probabilities=given,
        findings=[Finding("gear_slip", nan, inf, evidence)],
        launches=[Stretch(0.0, inf, "launch", 1, 3, r_k, nan, None, None, evidence)],
        call=replace(example.CALL, probability=probability),
        lockup=evidence,
    )
    built = result.build(drive)
    again = _strict(json.dumps(built, allow_nan=False))
    assert sum(again["probabilities"].values()) == pytest.approx(1.0, abs=1e-6)
    assert all(0.0 <= p <= 1.0 for p in again["probabilities"].values())
    assert 0.0 <= again["call"]["probability"] <= 1.0
    assert again["launches"][0]["r_k"] is None or isfinite(again["launches"][0]["r_k"])


def test_nothing_known_is_every_cause_alike() -> None:
    assert set(result.probabilities({}).values()) == {1 / len(CAUSES)}


def test_a_file_is_utf8_and_keeps_every_name(tmp_path: Path) -> None:
    drive = replace(example.drive(), source="Prüffahrt \udcff.log")
    out = tmp_path / "r.json"
    result.write(result.build(drive), out)
    text = out.read_bytes().decode("utf-8")
    assert "Prüffahrt" in text and text.endswith("\n")
    assert _strict(text)["recording"]["source"] == drive.source


def test_standard_output(capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    result.write(result.build(example.drive()), "-")
    assert _strict(capfdbinary.readouterr().out.decode("utf-8"))["schema"] == 1


def test_a_place_that_cannot_be_written_is_a_one_line_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--json"):
        result.write({}, tmp_path / "no" / "such.json")
