"""The moment of a drive from the stamps of its frames."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from livemon.clock import wall_time


def test_a_unix_stamp_tells_day_and_hour() -> None:
    assert wall_time(1777810800.25) == datetime(2026, 5, 3, 12, 20, 0, 250000, tzinfo=UTC)


@pytest.mark.parametrize("stamp_s", [None, 0.0, 12.5, 3e7, -5.0, 1.7e12, 1e300, float("nan"), float("inf")])
def test_a_stamp_that_counts_from_something_else_tells_nothing(stamp_s: float | None) -> None:
    assert wall_time(stamp_s) is None
