"""Columns of stretches of empty belt are those of the stretches, however the ledger grew."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from checks.stretches import Kept, Stretches, column, had
from tests.checks.tools_for_empties import stretch

TARE = frozenset({"tare"})
MANY = [
    stretch(start_s=600 * row, flow=None if row % 5 == 0 else 0.1 * row, events=(("tare", 600 * row),) if row % 7 == 0 else ())
    for row in range(40)
]


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 40), st.integers(0, 40)), max_size=40))
def test_columns_are_those_of_a_plain_list(steps: list[tuple[bool, int, int]]) -> None:
    growing = Kept(MANY[:1])
    for more, one, other in steps:
        if more and len(growing) < len(MANY):
            growing.add(MANY[len(growing)])
        first, end = sorted((min(one, len(growing)), min(other, len(growing))))
        looked, plain = growing.view(first, end), MANY[first:end]
        assert list(looked) == plain
        np.testing.assert_array_equal(column(looked, "flow"), column(plain, "flow"))
        np.testing.assert_array_equal(column(Stretches(plain), "flow"), column(plain, "flow"))
        np.testing.assert_array_equal(had(looked, TARE), [entry.had("tare") for entry in plain])
