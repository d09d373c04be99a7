from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.history import trends
from collector.history.store import Trend
from collector.history.tables import ROLLUPS
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import DAY_S, MIDNIGHT
from tests.collector.history.test_rollups import built, chain


def plain(times: np.ndarray, values: np.ndarray, trend: Trend) -> tuple[list[float], ...]:
    """Minimum, mean and maximum of the buckets of a trend, by the definition."""
    low, mean, high = [], [], []
    for start in trend.time_s:
        inside = values[(times >= start) & (times < start + trend.step_s)]
        inside = inside[np.isfinite(inside)]
        low.append(float(inside.min()))
        mean.append(float(inside.mean()))
        high.append(float(inside.max()))
    return low, mean, high


CASES = [
    *(("sqlite", hours, most) for hours in (1, 3, 20) for most in (2000, 100, 7)),
    *(("postgres", hours, most) for hours, most in ((1, 100), (20, 2000))),
]
"""Both read the same rows; what is drawn of them is one code."""


@pytest.mark.parametrize(("backend", "hours", "max_points"), CASES, indirect=["backend"])
def test_trend_is_what_the_samples_say(backend: str, opened: Opener, hours: int, max_points: int) -> None:
    source = chain(hours)
    samples, rollups = built(source)
    store = opened(site=source.site())
    store.append([samples])
    for blocks in rollups.values():
        store.add_rollups(blocks)
    begin, end = MIDNIGHT, MIDNIGHT + hours * 3600
    trend = store.trend("TB-07", "flow", begin, end, max_points)
    assert 0 < len(trend.time_s) <= max_points
    assert trend.unit == "t/h"
    assert trend.step_s % (1 if hours <= 3 else 60) == 0
    low, mean, high = plain(samples.time_s, samples.values["flow"], trend)
    np.testing.assert_array_equal(trend.minimum, low)
    np.testing.assert_array_equal(trend.maximum, high)
    np.testing.assert_allclose(trend.mean, mean, rtol=1e-12)


def test_long_span_is_drawn_from_hours(opened: Opener) -> None:
    source = chain(6)
    _, rollups = built(source)
    store = opened(site=source.site())
    for blocks in rollups.values():
        store.add_rollups(blocks)
    trend = store.trend("TB-07", "flow", MIDNIGHT - 20 * DAY_S, MIDNIGHT + DAY_S)
    assert trend.step_s == 3600
    assert trend.time_s.tolist() == [MIDNIGHT + 3600 * hour for hour in range(6)]
    np.testing.assert_allclose(trend.mean, rollups[3600].of("mean", "flow"), rtol=1e-12)
    np.testing.assert_array_equal(trend.minimum, rollups[3600].of("minimum", "flow"))
    year = store.trend("TB-07", "flow", MIDNIGHT - 300 * DAY_S, MIDNIGHT + 65 * DAY_S, 500)
    assert len(year.time_s) == 1
    assert store.trend("TB-07", "expected_flow", MIDNIGHT - 20 * DAY_S, MIDNIGHT + DAY_S).unit == "t/h"


def test_minutes_that_are_dropped_are_drawn_from_the_samples(opened: Opener) -> None:
    source = chain(6)
    samples, rollups = built(source)
    store = opened(site=source.site())
    store.append([samples])
    wanted = None
    for kept in (rollups[60], rollups[60][slice(120, None)], None):
        with store.state.transaction() as connection:
            connection.execute(ROLLUPS.delete())
        if kept is not None:
            store.add_rollups(kept)
        trend = store.trend("TB-07", "flow", MIDNIGHT, MIDNIGHT + 6 * 3600, 60)
        assert len(trend.time_s) == 60
        wanted = trend if wanted is None else wanted
        np.testing.assert_array_equal(trend.time_s, wanted.time_s)
        np.testing.assert_array_equal(trend.maximum, wanted.maximum)
        np.testing.assert_allclose(trend.mean, wanted.mean, rtol=1e-12)


def test_role_or_loop_that_is_not_there_gives_an_empty_trend(opened: Opener) -> None:
    store = opened()
    for hours in (1, 20, 1000):
        for loop, role in (("TB-07", "moisture"), ("TB-10", "flow")):
            trend = store.trend(loop, role, MIDNIGHT, MIDNIGHT + 3600 * hours)
            assert len(trend.time_s) == len(trend.mean) == len(trend.minimum) == len(trend.maximum) == 0


@given(
    begin=st.integers(0, 2_000_000_000),
    span=st.integers(1, 400 * DAY_S),
    row_s=st.sampled_from([1, 60, 3600]),
    most=st.integers(1, 3000),
)
def test_buckets_are_never_more_than_asked_for_and_hold_every_row(begin: int, span: int, row_s: int, most: int) -> None:
    start = begin + np.unique(np.linspace(0, span - 1, 500).astype(np.int64))
    ones = np.ones(len(start))
    trend = trends.bucketed("TB-07", "flow", begin, begin + span, most, row_s, [(start, ones, ones, ones, ones)])
    assert 1 <= len(trend.time_s) <= most
    assert trend.step_s % row_s == 0
    assert trend.time_s[0] <= start[0] < trend.time_s[0] + trend.step_s
    assert trend.time_s[-1] <= start[-1] < trend.time_s[-1] + trend.step_s
    assert np.all(np.diff(trend.time_s) >= trend.step_s)


def test_source_gets_coarser_with_the_span() -> None:
    assert [trends.source_of(span) for span in (60, 3 * 3600, 3 * 3600 + 1, 10 * DAY_S, 10 * DAY_S + 1)] == [1, 1, 60, 60, 3600]
