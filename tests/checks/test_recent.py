"""The newest rows of a line: two do for a large difference behind a known lag, one makes it doubtful."""

from __future__ import annotations

import numpy as np
import pytest

from checks.lag import Kernel
from checks.lines import Line, Rows, chain, rows_of
from checks.recent import Recent, has_just_begun, judge_recent
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
        line,
        made,
        made.x,
        kernel,
        end_s=int(made.start_s[-1]) + 10,
        noise=(0.15, 0.0),
        older=(0.15, 0.0),
        floor=FLOOR,
        limit=SpanLimit(),
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


@pytest.mark.parametrize("rows_since", [1, 2, 3, 6, 20])
def test_difference_between_the_limits_is_doubtful_from_the_first_row_of_a_learnt_lag_on(rows_since: int) -> None:
    assert judged(2.6, rows_since, learnt=True).verdict is Verdict.SUSPECT
    assert judged(2.6, 1, learnt=False).verdict is not Verdict.SUSPECT


def test_difference_just_beyond_the_suspect_limit_takes_rows_to_show() -> None:
    """1.3 t/h against 1.05 t/h in noise of 0.15 t/h: 0.25/0.15 standard deviations a row, (6.1/1.7) squared = 13 rows."""
    assert judged(1.3, 5, learnt=True).verdict is Verdict.OK
    assert judged(1.3, 40, learnt=True).verdict is Verdict.SUSPECT


def test_difference_below_the_suspect_limit_is_none_however_long_it_stands() -> None:
    assert judged(0.8, 6, learnt=True).verdict is Verdict.OK
    assert judged(0.8, 100, learnt=True).verdict is Verdict.OK


@pytest.mark.parametrize(
    ("each", "begun"),
    [
        ((0.1, 2.0, 5.2), True),
        ((-0.1, -2.0, -5.2), True),
        ((0.1, 0.1, 5.2), False),
        ((0.1, 5.2, 2.0), False),
        ((1.0, 2.0, 5.2), False),
        ((0.1, -2.0, 5.2), False),
        ((2.0, 5.2), False),
    ],
)
def test_step_inside_a_row_stands_between_a_quiet_row_and_a_whole_one(each: tuple[float, ...], begun: bool) -> None:
    """Noise of 0.15 t/h: a row may be off by 0.45 t/h and quiet; a lone row, one that dies away and a ramp are no begin."""
    assert has_just_begun(np.array(each), 0.15) is begun
