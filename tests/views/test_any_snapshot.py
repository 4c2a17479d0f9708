"""No snapshot breaks the screen, at any size, whatever its numbers and words are."""

from __future__ import annotations

from math import inf, nan
from typing import Any, get_args

from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from livemon import records
from livemon.records import Estimate, Oscillation, Regime
from livemon.vehicle import Vehicle
from livemon.views import example
from livemon.views.lines import ASCII, UNICODE, Ink
from livemon.views.screen import render
from livemon.views.sentences import FINDINGS
from livemon.views.snapshot import Marker, Point, Rate, SlipSpan, Snapshot

wild = st.floats() | st.floats(-1e4, 1e4)
maybe = st.none() | wild
words = st.text(max_size=60)
share = st.floats(0.0, 1.0) | st.sampled_from([nan, inf, -1.0])
regimes = st.sampled_from(get_args(Regime))
findings = st.sampled_from(FINDINGS)


def _many(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[list[Any]]:
    return st.lists(strategy, max_size=6)


estimates = st.builds(
    Estimate, wild, wild, regimes, maybe, wild, maybe, wild, maybe, wild, st.none() | st.integers(), share,
    share, pump_torque_nm=maybe, pump_torque_sd_nm=wild, capacity_rpm_per_sqrt_nm=maybe, torque_ratio=maybe,
    torque_ratio_sd=wild, road_speed_m_s=maybe, pedal_pct=maybe,
)  # fmt: skip
snapshots = st.builds(
    Snapshot,
    time_s=st.floats(0.0, 1e6),
    source=words,
    vehicle=st.builds(Vehicle, name=st.none() | words),
    curves=st.sampled_from([None, example.snapshot().curves]),
    estimate=st.none() | estimates,
    slip=_many(st.builds(SlipSpan, wild, wild, wild, wild, st.booleans())),
    points=_many(st.builds(Point, wild, wild, maybe, wild, maybe, wild, regimes, wild)),
    shake=st.none() | st.builds(Oscillation, wild, wild, wild, wild, wild, wild, st.booleans()),
    warnings=_many(st.builds(records.Warning, wild, findings, words, st.booleans(), share)),
    standing=st.dictionaries(findings, share, max_size=9),
    rates=_many(st.builds(Rate, words, wild, wild)),
    cannot_judge=_many(words),
    still_to_drive=_many(words),
    coolant_c=maybe,
    markers=_many(st.builds(Marker, wild, words)),
    notice=words,
)


@settings(max_examples=100, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(
    snapshot=snapshots,
    width=st.integers(1, 160),
    height=st.integers(1, 60),
    ink=st.sampled_from([UNICODE, ASCII]),
)
def test_no_snapshot_breaks_the_screen(snapshot: Snapshot, width: int, height: int, ink: Ink) -> None:
    page = render(snapshot, width, height, ink)
    assert len(page.lines) == height
    for line in page.lines:
        assert sum(cell_len(text) for text, _ in line) == width
        assert all(ink.unicode or text.isascii() for text, _ in line)
        assert not any(c in text for text, _ in line for c in "\x1b\x07\n\r\t")
