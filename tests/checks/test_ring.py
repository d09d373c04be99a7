"""A table that forgets its oldest rows."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from checks.ring import FIRST_ROOM, Ring


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


def test_table_takes_room_for_what_it_holds_and_never_for_more_than_twice_what_is_kept() -> None:
    ring = Ring(20_000)
    for row in range(65_000):
        ring.append({"wide": np.full((1, 3), float(row)), "time_s": np.array([row])})
        held = len(ring._arrays["time_s"])
        assert held <= min(max(2 * (row + 1), FIRST_ROOM), 2 * ring.keep + 1)
    assert ring.dropped + len(ring) == 65_000
    assert ring.view(len(ring))["wide"][:, 1].tolist() == [float(row) for row in range(45_000, 65_000)]
