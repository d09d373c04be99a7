"""Long lists in pages."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from collector.web.paging import fits, part_of


@given(st.integers(0, 80), st.integers(1, 9), st.integers(1, 30))
def test_pages_hold_every_item_once_and_in_order(total: int, size: int, beyond: int) -> None:
    items = list(range(total))
    first = part_of(items, 1, size)
    seen = [item for number in range(1, first.pages + 1) for item in part_of(items, number, size).items]
    assert seen == items
    assert part_of(items, first.pages + beyond, size) == part_of(items, first.pages, size)


def test_numbers_of_a_page_and_its_query() -> None:
    part = part_of("abcdefg", 2, 3, "x y")
    assert (part.items, part.first, part.last, part.total, part.pages) == (("d", "e", "f"), 4, 6, 7, 3)
    assert part.query() == "find=x+y&page=2"
    assert part.query(1) == "find=x+y"
    assert part_of("", 1, 3).query() == ""
    assert (part_of("", 1, 3).first, part_of("", 1, 3).last) == (0, 0)


def test_what_is_looked_for_fits_whatever_its_case() -> None:
    assert fits("tb-0", "TB-07")
    assert fits(" quay ", "TB-07", "To the Quay")
    assert fits("", "TB-07")
    assert not fits("TB-8", "TB-07", "To the quay")
