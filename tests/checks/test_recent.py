"""The newest rows of a line: two do for a large difference behind a known lag, three make a small one doubtful."""

from __future__ import annotations

import numpy as np
import pytest

from checks.lag import Kernel
from checks.lines import Line, Rows, chain, rows_of
from checks.recent import Recent, judge_recent
from checks.result import Verdict
from config.limits import SpanLimit
from tests.checks.simulation import Chain, steady_load

PATH = ("flow", "plc_flow", "drive_running")
FLOOR = (0.0014, 0.0002)


def rows(shift: float, since_row: int, sd: float = 3.0) -> tuple[Line, Rows]:
    """200 rows of 10 s about 260 t/h; the far end is off by `shift` [t/h] in the last `since_row` of them."""
    made = Chain(
        load=steady_load(np.random.default_rng(3), 2000, 260.0, sd), lag_s=0, roles=PATH, seed=3, fault_from=2000 - 10 * since_row,
        plc_of=lambda flow: flow + shift,
    )  # fmt: skip
    window = made.window()
    line = chain(window.loop)[0]
    return line, rows_of(line, window.blocks, window.loop)


def judged(shift: float, since_row: int, *, learnt: bool) -> Recent:
    line, made = rows(shift, since_row)
    kernel = Kernel(weights=np.array([1.0]), change=0.0, length_s=10, uncertainty_s=1.0, learnt=learnt)
    return judge_recent(
        line, made, made.x, kernel, end_s=int(made.start_s[-1]) + 10, sigma=0.15, rho=0.0, floor=FLOOR, limit=SpanLimit()
    )


@pytest.mark.parametrize(("since_row", "learnt", "verdict"), [(2, True, Verdict.FAULT), (3, False, Verdict.FAULT)])
def test_five_per_cent_is_a_fault_after_two_rows_of_a_learnt_lag_and_three_of_another(
    since_row: int, learnt: bool, verdict: Verdict
) -> None:
    assert judged(13.0, since_row, learnt=learnt).verdict is verdict
    assert judged(13.0, since_row - 1, learnt=learnt).verdict is not verdict


def test_one_row_is_never_enough() -> None:
    for learnt in (True, False):
        assert judged(100.0, 1, learnt=learnt).verdict is not Verdict.FAULT


def test_difference_between_the_limits_is_doubtful_after_three_rows_of_a_learnt_lag() -> None:
    assert judged(2.6, 3, learnt=True).verdict is Verdict.SUSPECT
    assert judged(2.6, 2, learnt=True).verdict is Verdict.OK


def test_difference_below_the_suspect_limit_is_none_however_long_it_stands() -> None:
    assert judged(0.8, 6, learnt=True).verdict is Verdict.OK
    assert judged(0.8, 100, learnt=True).verdict is Verdict.OK
