"""A total read in two requests jumps by whole words for a moment; other jumps are told elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

from checks.result import Link
from checks.samples import Samples
from checks.torn_totals import findings
from checks.window import LedgerEntry, Window
from tests.checks.runs_of_terminal import changed, run_of, window_of
from tests.checks.simulation import Chain, swinging_load

SEED = 7


def window_with(*entries: LedgerEntry) -> Window:
    chain = Chain(load=swinging_load(np.random.default_rng(3), 1200), ledger=entries)
    return chain.window()


def jump(size: float, role: str = "plc_total", kind: str = "total-transient", back: int = 100) -> LedgerEntry:
    window = window_with()
    return LedgerEntry(time_s=window.end_s - back, kind=kind, role=role, old=5000.0, new=5000.0 + size)


@pytest.mark.parametrize("words", [1, -1, 2])
def test_jump_of_65536_digits_for_a_moment_is_a_torn_read(words: int) -> None:
    window = window_with(jump(words * 65536 * 0.1 + 0.1))
    (told,) = findings(window, ())
    assert (told.cause, told.link) == ("wrong-type", Link.TOTALS)
    assert "65,536" in told.sentence or "131,072" in told.sentence


def test_other_jumps_are_no_torn_read() -> None:
    for entry in (
        jump(6500.0), jump(100.0), jump(6553.6, kind="total-rollover"), jump(-5000.0, kind="total-reset"), jump(6553.6, back=4000),
    ):  # fmt: skip
        assert list(findings(window_with(entry), ())) == []


def test_torn_total_in_the_stream_is_seen_through_the_blocks() -> None:
    def torn_once(total: np.ndarray) -> np.ndarray:
        total[-100] += 6553.6
        return total

    samples: Samples = changed(run_of("TB-07", 0.5, seed=SEED), gauge_total=torn_once)
    assert [item.cause for item in findings(window_of(samples), ())] == ["wrong-type"]


@pytest.mark.parametrize("loop", ["TB-07", "TB-08", "TB-09"])
def test_sound_totals_are_not_torn(loop: str) -> None:
    assert list(findings(window_of(run_of(loop, 1.0, seed=SEED)), ())) == []
