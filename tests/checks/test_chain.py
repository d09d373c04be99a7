"""The two numbers of each link, why alerts are held back, and the tonnes three ways."""

from __future__ import annotations

import numpy as np
import pytest

from checks.chain import TonnesSoFar, link_numbers, suppression
from checks.finding import Finding
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.window import Window
from tests.checks.runs_of_terminal import changed, evaluations, run_of, window_of

RUN = run_of("TB-07", 0.4, seed=8)


def test_each_link_of_a_sound_loop_shows_two_numbers_that_agree() -> None:
    last = evaluations(RUN)[-1]
    assert [row.link for row in last.chain] == sorted((row.link for row in last.chain), key=list(Link).index)
    both = {(row.link, row.label): row for row in last.chain if row.shown is not None and row.expected is not None}
    for key in ((Link.LOAD, "counts to flow"), (Link.SCALING_BLOCK, "input card to PLC flow"), (Link.TOTALS, "PLC total")):
        row = both[key]
        assert row.shown is not None
        assert row.expected is not None
        assert row.deviation == pytest.approx(row.shown - row.expected)
        assert row.uncertainty_span is not None
        assert row.verdict is Verdict.OK
        assert row.unit


def test_result_without_numbers_is_shown_without_numbers() -> None:
    result = CheckResult(check="scaling", link=Link.CURRENT, verdict=Verdict.NOT_EVALUATED, reason="no load yet")
    row = link_numbers(window_of(RUN[slice(0, 60)]), [result])[0]
    assert (row.shown, row.expected, row.deviation, row.reason) == (None, None, None, "no load yet")


def test_count_rate_stands_beside_the_empty_belt_without_a_deviation() -> None:
    result = CheckResult(
        check="counts", link=Link.COUNTS, verdict=Verdict.OK, reason="",
        evidence=(Evidence(name="count rate", value=4000.0, unit="1/s"),
                  Evidence(name="empty-belt rate", value=5100.0, unit="1/s")),
    )  # fmt: skip
    row = link_numbers(window_of(RUN[slice(0, 60)]), [result])[0]
    assert (row.shown, row.expected, row.deviation, row.unit) == (4000.0, 5100.0, None, "1/s")


def last_with(**columns: float) -> Window:
    n = len(RUN)

    def late(value: float) -> object:
        return lambda v: np.where(np.arange(n) >= n - 30, value, v)

    return window_of(changed(RUN, **{role: late(value) for role, value in columns.items()}))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({}, ""),
        ({"maintenance": 1.0}, "maintenance"),
        ({"calibrating": 1.0}, "calibrating"),
        ({"drive_running": 0.0}, "belt stopped"),
        ({"product": 9.0}, "product change"),
        ({"gauge_uptime": 3.0}, "gauge restart"),
        ({"empty_belt_rate": 5100.0}, "tare"),
        ({"maintenance": 1.0, "drive_running": 0.0}, "maintenance"),
    ],
)
def test_reason_for_holding_findings_back(columns: dict[str, float], words: str) -> None:
    assert suppression(last_with(**columns)) == words


def finding(link: Link) -> Finding:
    return Finding(
        loop="TB-07", link=link, cause="unknown", title="", verdict=Verdict.FAULT, odds=None, begin=0, begin_interval=(0, 0)
    )


def test_tonnes_three_ways_and_no_best_estimate_while_the_flow_itself_is_doubted() -> None:
    window, tonnes = window_of(RUN), TonnesSoFar()
    tonnes.take(window.blocks, 0, len(window.blocks))
    sound = tonnes.totals([finding(Link.SCALING_BLOCK)])
    assert sound.own_t == pytest.approx(float(RUN.column("flow").mean()) * 0.4, rel=1e-3)
    assert sound.plc_t == pytest.approx(sound.own_t, abs=0.5)
    assert sound.gauge_t == pytest.approx(sound.own_t, abs=0.5)
    assert sound.best_t == sound.own_t
    assert sound.best_u_t is not None
    assert sound.not_measured_s == 0.0
    doubted = tonnes.totals([finding(Link.COUNTS)])
    assert (doubted.best_t, doubted.best_u_t) == (None, None)
    assert tonnes.totals([]).best_t is None  # what was booked meanwhile stays in it


def test_seconds_without_a_flow_are_counted() -> None:
    def lost(values: np.ndarray) -> np.ndarray:
        values[300:420] = np.nan
        return values

    window, tonnes = window_of(changed(RUN, flow=lost)), TonnesSoFar()
    tonnes.take(window.blocks, 0, len(window.blocks))
    pieces = TonnesSoFar()
    for row in range(len(window.blocks)):
        pieces.take(window.blocks, row, row + 1)
    assert pieces == tonnes
    assert tonnes.totals(()).not_measured_s == pytest.approx(120.0, abs=1.0)
