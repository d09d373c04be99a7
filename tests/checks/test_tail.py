"""How long something has stood at the end of the samples."""

from __future__ import annotations

import numpy as np

from checks.tail import Tail
from tests.checks.runs_of_terminal import BEGIN, samples_by_hand, small_site, window_of


def tail_of(**columns: list[float]) -> Tail:
    n = len(next(iter(columns.values())))
    columns.setdefault("flow", [100.0] * n)
    return Tail(window_of(samples_by_hand(columns), small_site(list(columns))))


def test_bit_that_came_on_has_stood_since_then() -> None:
    standing = tail_of(maintenance=[0.0] * 40 + [1.0] * 20).bit("maintenance")
    assert (standing.seconds, standing.begin, standing.whole) == (20, BEGIN + 40, False)
    assert standing.interval == (BEGIN + 39, BEGIN + 40)


def test_bit_that_is_off_now_has_not_stood() -> None:
    assert tail_of(maintenance=[1.0] * 59 + [0.0]).bit("maintenance").seconds == 0


def test_condition_that_reaches_back_to_the_first_sample_says_so() -> None:
    standing = tail_of(maintenance=[1.0] * 60).bit("maintenance")
    assert standing.whole
    assert standing.interval == (BEGIN, BEGIN)


def test_value_stands_still_within_its_band_and_a_missing_newest_one_does_not() -> None:
    tail = tail_of(speed=[*np.linspace(1.0, 1.9, 30), *([1.9] * 30)])
    assert tail.still("speed").seconds == 31
    assert tail.still("speed", 0.1).seconds > 31
    assert tail_of(speed=[1.9] * 59 + [float("nan")]).still("speed").seconds == 0


def test_role_that_the_loop_lacks_is_missing_everywhere() -> None:
    tail = tail_of(speed=[1.9] * 60)
    assert not tail.has("ai_raw")
    assert tail.bit("plc_forced").seconds == 0
    assert len(tail.last("ai_raw", 10)) == 0
    assert np.isnan(tail.swing("ai_raw", BEGIN))
    assert tail.swing("speed", BEGIN) == 0.0
