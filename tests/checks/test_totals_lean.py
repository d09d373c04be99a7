"""The cheap look at the totals: the chunks do not matter, and nothing that the check calls a fault is quiet."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks import totals
from checks.build import BlockBuilder
from checks.merge import concat
from checks.result import Verdict
from checks.samples import join
from checks.totals_lean import TotalsLean
from tests.acceptance.simulated import LOOPS, Order, samples_of
from tests.checks.runs_of_terminal import BEGIN, terminal, windows_of

SEED = 5
LOSES = join(list(samples_of("TB-07", BEGIN, 7200, SEED, [Order(1800, "total-time-base")])))
BLOCKS = BlockBuilder(terminal(), "TB-07").push(LOSES)


@settings(deadline=None)
@given(st.lists(st.integers(1, len(BLOCKS) - 1), unique=True, max_size=8))
def test_chunks_do_not_matter(cuts: list[int]) -> None:
    one = TotalsLean(terminal().loops["TB-07"])
    parts = [one.push(BLOCKS[slice(first, last)]) for first, last in pairwise([0, *sorted(cuts), len(BLOCKS)])]
    assert np.array_equal(np.concatenate(parts), TotalsLean(terminal().loops["TB-07"]).push(BLOCKS))


@pytest.mark.parametrize("loop", LOOPS)
def test_honest_totals_do_not_lean(loop: str) -> None:
    builder = BlockBuilder(terminal(), loop)
    blocks = concat([builder.push(samples) for samples in samples_of(loop, BEGIN, 12 * 3600, SEED)])
    assert not TotalsLean(terminal().loops[loop]).push(blocks).any()


def test_total_that_the_check_calls_wrong_leans() -> None:
    codes = TotalsLean(terminal().loops["TB-07"]).push(BLOCKS)
    wrong = 0
    for window in windows_of(LOSES, terminal(), 300):
        if any(result.verdict in (Verdict.SUSPECT, Verdict.FAULT) for result in totals.check(window)):
            wrong += 1
            assert codes[(window.end_s - BEGIN) // 10 - 1].any()
    assert wrong > 10
    first = int(np.flatnonzero(codes.any(axis=1))[0])
    assert 1800 < 10 * first < 1800 + 600


def test_total_that_is_not_read_does_not_lean() -> None:
    lost = BLOCKS.with_arrays({"increment_t": np.full_like(BLOCKS.increment_t, np.nan)})
    assert not TotalsLean(terminal().loops["TB-07"]).push(lost).any()
