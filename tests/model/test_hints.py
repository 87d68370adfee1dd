"""Hints a person gives are parsed strictly and never lie outside the photo unnoticed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from model.errors import HintError
from model.hints import check_neutral, check_trace, parse_neutral, parse_trace


@given(st.lists(st.tuples(st.integers(0, 9000), st.integers(0, 9000)), min_size=2, max_size=40))
def test_a_written_trace_reads_back(points: list[tuple[int, int]]) -> None:
    text = ";".join(f"{x},{y}" for x, y in points)
    assert np.array_equal(parse_trace(text), np.array(points, dtype=float))


@pytest.mark.parametrize(
    "text", ["", "1", "1,2", "1,2;3", "a,b;c,d", "1,2;nan,4", "1,2;inf,4", "1,2,3;4,5,6"]
)
def test_a_malformed_trace_is_refused(text: str) -> None:
    with pytest.raises(HintError):
        parse_trace(text)


@pytest.mark.parametrize("text", ["", "5", "5,6;7,8", "x,1"])
def test_a_malformed_neutral_point_is_refused(text: str) -> None:
    with pytest.raises(HintError):
        parse_neutral(text)


def test_a_neutral_point_outside_the_photo_is_refused() -> None:
    check_neutral((99.0, 49.0), 100, 50)
    with pytest.raises(HintError, match="outside the photo"):
        check_neutral((100.0, 10.0), 100, 50)


def test_a_trace_outside_the_photo_or_without_length_is_refused() -> None:
    check_trace(np.array([[1.0, 1.0], [60.0, 40.0]]), 100, 50)
    with pytest.raises(HintError, match="inside"):
        check_trace(np.array([[-5.0, 1.0], [600.0, 40.0]]), 100, 50)
    with pytest.raises(HintError, match="20 pixels"):
        check_trace(np.array([[1.0, 1.0], [2.0, 1.0]]), 100, 50)
