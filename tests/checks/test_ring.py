"""A table that forgets its oldest rows."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from checks.ring import Ring


@given(st.integers(1, 50), st.lists(st.integers(1, 120), min_size=1, max_size=30))
def test_last_rows_before_any_row_of_the_last_append_are_there(keep: int, sizes: list[int]) -> None:
    ring, total = Ring(keep), 0
    for size in sizes:
        ring.append({"a": np.arange(total, total + size), "b": np.full((size, 2), float(total))})
        total += size
        held = ring.column("a")
        assert held[-1] == total - 1
        for end in (total - size, total):
            place = int(np.searchsorted(held, end))
            np.testing.assert_array_equal(ring.view(place)["a"], np.arange(max(0, end - keep), end))
    assert len(ring) <= 2 * keep + max(sizes) + max(sizes)
