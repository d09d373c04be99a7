"""The bridge adds up."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.accounting.bridge import NOT_EXPLAINED, Step, adds_up, bridge

TONNES = st.floats(-1e6, 1e6)


@given(
    booked=TONNES,
    best=TONNES,
    causes=st.lists(st.tuples(st.sampled_from("abcd"), TONNES)),
    states=st.dictionaries(st.text(), TONNES),
)
def test_both_splits_add_up(booked: float, best: float, causes: list[tuple[str, float]], states: dict[str, float]) -> None:
    found = bridge(booked, best, [Step(name=name, tonnes=tonnes) for name, tonnes in causes], states)
    assert adds_up(found.difference, found.by_cause)
    assert adds_up(found.difference, found.by_state)


def test_parts_are_largest_first_and_the_rest_is_last() -> None:
    found = bridge(
        1030.0, 1000.0, [Step(name="stale tare", tonnes=5.0), Step(name="ends differ", tonnes=22.0)], {"loaded": 30.0}
    )
    assert [(step.name, step.tonnes) for step in found.by_cause] == [
        ("ends differ", 22.0),
        ("stale tare", 5.0),
        (NOT_EXPLAINED, 3.0),
    ]
    assert found.by_state[-1].tonnes == 0.0


def test_same_cause_twice_is_one_step_with_both_uncertainties() -> None:
    found = bridge(10.0, 0.0, [Step(name="a", tonnes=4.0, uncertainty=1.0), Step(name="a", tonnes=6.0, uncertainty=2.0)], {})
    assert found.by_cause[0] == Step(name="a", tonnes=10.0, uncertainty=3.0)


def test_hole_in_the_account_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        bridge(math.nan, 0.0, [], {})
