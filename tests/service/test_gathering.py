"""Gathering: samples wait for the end of their block, and an engine tells the same as if they had not."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from checks.engine import LoopEngine
from checks.samples import Samples
from collector.service.gathering import Gathering
from tests.service.fakes import T0, samples, site


def taken(gathering: Gathering, *parts: Samples) -> list[list[int]]:
    found = [gathering.take(part) for part in parts]
    return [whole.time_s.tolist() for whole in found if whole is not None]


def test_a_block_goes_on_with_its_last_second() -> None:
    gathering = Gathering(site())
    assert taken(gathering, *(samples(T0 + second, 1) for second in range(9))) == []
    assert taken(gathering, samples(T0 + 9, 1)) == [list(range(T0, T0 + 10))]
    assert taken(gathering, samples(T0 + 10, 1)) == []


def test_a_gap_closes_the_block_before_it() -> None:
    gathering = Gathering(site())
    assert taken(gathering, samples(T0 + 7, 2), samples(T0 + 21, 1)) == [[T0 + 7, T0 + 8, T0 + 21]]


def test_loops_wait_each_for_its_own_and_what_is_dropped_never_comes() -> None:
    gathering = Gathering(site("TB-07", "TB-08"))
    assert taken(gathering, samples(T0, 9), samples(T0 + 9, 1, "TB-08")) == [[T0 + 9]]
    gathering.drop("TB-07")
    assert taken(gathering, samples(T0 + 9, 1)) == [[T0 + 9]]


@settings(deadline=None, max_examples=20)
@given(st.lists(st.integers(1, 25), min_size=1, max_size=12), st.sets(st.integers(0, 120), max_size=20))
def test_an_engine_tells_the_same_at_the_same_second(lengths: list[int], gaps: set[int]) -> None:
    plain, gathered = (LoopEngine(site(), "TB-07") for _ in range(2))
    gathering, at = Gathering(site()), T0
    for length in lengths:
        part = samples(at, length)
        kept = [row for row in range(length) if at + row - T0 not in gaps]
        at += length
        if not kept:
            continue
        part = part[slice(kept[0], kept[-1] + 1)]
        expected = plain.push(part, show=True)
        whole = gathering.take(part)
        assert (gathered.push(whole, show=True) if whole is not None else []) == expected
