"""Runs of a condition."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from checks.runs import run_at_end, runs_over, same_as_before


def by_hand(row: list[bool]) -> tuple[int, int, int]:
    text = "".join("x" if holds else " " for holds in row)
    longest = max((len(piece) for piece in text.split()), default=0)
    return longest, len(text) - len(text.lstrip("x")), len(text) - len(text.rstrip("x"))


@given(st.lists(st.lists(st.booleans(), min_size=10, max_size=10), min_size=1, max_size=20))
def test_runs_over_positions_agree_with_a_count_by_hand(rows: list[list[bool]]) -> None:
    holds = np.array(rows)
    longest, head, tail = runs_over(holds.T, None)
    assert [tuple(map(int, found)) for found in zip(longest, head, tail, strict=True)] == [by_hand(row) for row in rows]


@given(st.lists(st.booleans(), max_size=30))
def test_run_at_end_agrees_with_a_count_by_hand(row: list[bool]) -> None:
    assert run_at_end(np.array(row, np.bool_)) == by_hand(row)[2]


def test_position_without_a_sample_neither_breaks_nor_lengthens_a_run() -> None:
    longest, head, tail = runs_over(np.array([[True], [False], [True]]), np.array([[True], [False], [True]]))
    assert (longest[0], head[0], tail[0]) == (2.0, 2.0, 2.0)


def test_missing_value_equals_nothing() -> None:
    assert same_as_before(np.array([1.0, 1.0, np.nan, np.nan, 2.0]), 1.0).tolist() == [True, True, False, False, False]
    assert same_as_before(np.array([1.0]), np.nan).tolist() == [False]
