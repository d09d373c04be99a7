"""Figures of IEC 61298-2 (definitions from memory and second-hand), against sums done by hand."""

from __future__ import annotations

from itertools import chain

import pytest

from checks.commissioning.performance import performance

X = [0.0, 25.0, 50.0, 75.0, 100.0]
BOW = [0.0, 0.3, 0.4, 0.3, 0.0]


def both_ways(up: list[float], down: list[float], cycle: int = 1) -> tuple[list[float], list[float], list[bool], list[int]]:
    """A walk up and down; the top is reached once, from below."""
    return X + X[-2::-1], up + down[-2::-1], [True] * 5 + [False] * 4, [cycle] * 9


def test_bow_has_three_non_linearities() -> None:
    """By hand: 0.4 from the line through both ends; 0.2 from the level line at 0.2, which lies nearest; through zero with slope s
    the largest is least where 0.4 - 0.5 s = s, so s = 0.26667 and the deviation is 0.26667."""
    found = performance(*both_ways(BOW, BOW))
    assert found is not None
    assert found.terminal == pytest.approx(0.4)
    assert found.independent == pytest.approx(0.2)
    assert found.zero_based == pytest.approx(0.8 / 3.0)
    assert (found.lowest, found.highest, found.hysteresis) == (0.0, 0.4, 0.0)
    assert found.repeatability is None


def test_hysteresis_is_the_largest_difference_between_the_ways() -> None:
    down = [0.05, 0.45, 0.3, 0.3, 0.0]
    found = performance(*both_ways(BOW, down))
    assert found is not None
    assert found.hysteresis == pytest.approx(0.15)
    assert found.inaccuracy == pytest.approx(0.45)


def test_straight_errors_are_inaccurate_and_linear() -> None:
    slope = [-0.1 + 0.004 * x for x in X]
    found = performance(*both_ways(slope, slope))
    assert found is not None
    assert (found.lowest, found.highest) == pytest.approx((-0.1, 0.3))
    assert found.terminal == pytest.approx(0.0, abs=1e-12)
    assert found.independent == pytest.approx(0.0, abs=1e-9)


def test_repeatability_needs_three_walks_and_compares_like_with_like() -> None:
    walks = [
        both_ways([e + shift for e in BOW], [e + shift + 1.0 for e in BOW], cycle)
        for cycle, shift in ((1, 0.0), (2, 0.03), (3, -0.02))
    ]
    found = performance(*(list(chain.from_iterable(column)) for column in zip(*walks, strict=True)))
    assert found is not None
    assert found.repeatability == pytest.approx(0.05)
    again = performance(*(list(chain.from_iterable(column)) for column in zip(*walks[:2], strict=True)))
    assert again is not None
    assert again.repeatability is None


def test_two_points_have_no_line_and_none_has_no_figures() -> None:
    found = performance([0.0, 100.0], [0.1, 0.2], [True, True], [1, 1])
    assert found is not None
    assert (found.terminal, found.hysteresis) == (None, None)
    assert performance([], [], [], []) is None
