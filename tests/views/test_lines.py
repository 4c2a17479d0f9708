"""Fixed-width numbers, fitted lines, wrapped sentences and columns."""

from __future__ import annotations

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from livemon.views.lines import ASCII, UNICODE, bar, big, fitted, number, rise, wrapped


@given(st.none() | st.floats(), st.integers(1, 8), st.integers(0, 3))
def test_a_number_is_always_as_wide(value: float | None, width: int, digits: int) -> None:
    assert len(number(value, width, digits)) == width


def test_numbers() -> None:
    assert number(1224.8, 5) == " 1225"
    assert number(-0.2, 4) == "   0"
    assert number(123456.0, 4) == "****"
    assert number(None, 3) == number(nan, 3) == number(inf, 3) == "  -"


@given(st.lists(st.tuples(st.text(max_size=9), st.just(""))), st.integers(0, 40))
def test_a_fitted_line_fits(line: list[tuple[str, str]], width: int) -> None:
    assert sum(cell_len(text) for text, _ in fitted(line, width)) == width


@given(st.text(), st.integers(1, 30), st.integers(1, 4))
def test_wrapped_text_fits(text: str, width: int, rows: int) -> None:
    parts = wrapped(text, width, rows, UNICODE)
    assert len(parts) <= rows and all(cell_len(part) <= width for part in parts)


def test_a_cut_sentence_shows_it() -> None:
    assert wrapped("the stator does not hold at launch", 14, 2, UNICODE) == ["the stator", "does not hold…"]
    assert wrapped("the stator", 14, 2, UNICODE) == ["the stator"]


@pytest.mark.parametrize("ink", [UNICODE, ASCII])
def test_big_digits_are_four_places_each(ink: object) -> None:
    for text in ("0123456789", "-*Rn  "):
        rows = big(text, UNICODE if ink is UNICODE else ASCII)
        assert {len(row) for row in rows} == {4 * len(text) - 1}
    shapes = {big(digit, ASCII) for digit in "0123456789-"}
    assert len(shapes) == 11


def test_a_bar_is_filled_to_its_share() -> None:
    assert bar(0.5, 8, ASCII) == "####...."
    assert bar(nan, 4, ASCII) == bar(-1.0, 4, ASCII) == "...."
    assert bar(7.0, 4, ASCII) == "####"


def test_one_decade_fills_one_row() -> None:
    top, middle, foot = rise([3.0, 30.0, 300.0, 3000.0, -90.0, None], 3, 3.0, 3000.0, UNICODE)
    assert foot == "_███_ "
    assert middle == "  ██  "
    assert top == "   █  "
