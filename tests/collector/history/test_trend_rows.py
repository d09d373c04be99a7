"""The rows that a year is drawn from say what the hourly rollups say, however those came."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import sqlalchemy as sa

from checks.blocks import Blocks
from checks.build import BlockBuilder
from checks.merge import TreeMerger, concat
from checks.samples import Samples
from collector.history.state import StateDb
from collector.history.tables import SCHEMA
from collector.history.trend_rows import HOUR_S, TREND_DAYS, read
from config.model import History
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import DAY_S, MIDNIGHT
from tests.collector.history.test_hour_rows import fleet_site, hours

SEED = 5
BEGIN, END = MIDNIGHT - 20 * DAY_S, MIDNIGHT + 20 * DAY_S


def hourly(count: int, *, first: int = 0, flow: float | None = None) -> Blocks:
    """Hours of a flow that wanders, every tenth second missing; `first` is the hour of the first from midnight."""
    print(f"seed {SEED}")
    rng = np.random.default_rng(SEED)
    whole = hours(fleet_site(), "TB-07", 300.0, 1.0, count * HOUR_S + 20)
    load = rng.normal(300.0, 5.0, len(whole)) if flow is None else np.full(len(whole), flow)
    load[::10] = np.nan
    samples = Samples(
        loop="TB-07", time_s=whole.time_s + first * HOUR_S, values={**whole.values, "flow": load}, quality=whole.quality, flags=whole.flags
    )  # fmt: skip
    parts = []
    builder, tree = BlockBuilder(fleet_site(), "TB-07", 1), TreeMerger()
    for at in range(0, len(samples), DAY_S // 2):
        merged = tree.push(builder.push(samples[slice(at, at + DAY_S // 2)]))
        parts += [merged[HOUR_S]] if HOUR_S in merged else []
    return concat(parts)


def test_hours_that_come_one_by_one_or_many_at_once_are_drawn_alike(opened: Opener) -> None:
    store, blocks = opened(site=fleet_site()), hourly(40)
    assert len(blocks) == 40
    for number in (3, 1, 2, 0):
        store.add_rollups(blocks[slice(number, number + 1)])
    store.add_rollups(blocks[slice(4, 30)])
    store.add_rollups_of([blocks[slice(29, 40)]])
    trend = store.trend("TB-07", "flow", BEGIN, END)
    assert trend.step_s == HOUR_S
    assert trend.time_s.tolist() == blocks.start_s.tolist()
    for name in ("minimum", "mean", "maximum"):
        np.testing.assert_array_equal(getattr(trend, name), blocks.of(name, "flow"))
    # Two hours a point: by the definition of a mean over all good samples of both.
    coarse = store.trend("TB-07", "flow", BEGIN, END, 24 * 40 // 2)
    n, mean = blocks.of("n", "flow").reshape(-1, 2), blocks.of("mean", "flow").reshape(-1, 2)
    np.testing.assert_allclose(coarse.mean, (n * mean).sum(axis=1) / n.sum(axis=1), rtol=1e-14)
    np.testing.assert_array_equal(coarse.maximum, blocks.of("maximum", "flow").reshape(-1, 2).max(axis=1))


def test_only_the_hours_that_were_asked_for_are_given(opened: Opener) -> None:
    store, blocks = opened(site=fleet_site()), hourly(30)
    store.add_rollups(blocks)
    with store.state.transaction() as connection:
        ((start, *_),) = read(connection, "TB-07", "flow", MIDNIGHT + 5 * HOUR_S, MIDNIGHT + 27 * HOUR_S + 1)
        assert read(connection, "TB-07", "flow", END, END + DAY_S) == []
    assert start.tolist() == [MIDNIGHT + HOUR_S * hour for hour in range(5, 28)]


def test_an_hour_that_is_known_better_takes_the_place_of_the_other(opened: Opener) -> None:
    store, blocks = opened(site=fleet_site()), hourly(2)
    store.add_rollups(blocks)
    better = hourly(1, flow=100.0)
    store.add_rollups(better.with_arrays({"covered_s": better.covered_s - 1.0}))
    assert store.trend("TB-07", "flow", BEGIN, END).maximum[0] > 290.0
    store.add_rollups(better)
    assert store.trend("TB-07", "flow", BEGIN, END).maximum.round(6).tolist() == [
        100.0,
        *blocks.of("maximum", "flow")[1:].round(6),
    ]


def test_a_database_of_version_9_is_drawn_from_its_rollups(tmp_path: Path, embedded: Opener) -> None:
    store = embedded(site=fleet_site())
    store.add_rollups(hourly(30))
    before = store.trends("TB-07", ("flow", "plc_flow"), BEGIN, END)
    assert len(before["flow"].mean) == 30
    with store.state.transaction() as connection:
        TREND_DAYS.drop(connection)
        connection.execute(SCHEMA.update().values(version=9))
    store.close()
    StateDb(tmp_path / "data" / "state.db").close()
    for role, trend in embedded(site=fleet_site()).trends("TB-07", ("flow", "plc_flow"), BEGIN, END).items():
        np.testing.assert_array_equal(trend.mean, before[role].mean)
        np.testing.assert_array_equal(trend.time_s, before[role].time_s)


def test_days_go_when_all_of_their_hours_have_gone(embedded: Opener) -> None:
    store = embedded(site=fleet_site().model_copy(update={"history": History(hour=float(DAY_S))}))
    store.add_rollups(hourly(30))
    for now, left in ((MIDNIGHT + 2 * DAY_S - 1, 2), (MIDNIGHT + 2 * DAY_S, 1), (MIDNIGHT + 3 * DAY_S, 0)):
        store.retain(float(now))
        with store.state.transaction() as connection:
            days = connection.execute(sa.select(TREND_DAYS.c.day).where(TREND_DAYS.c.role == "flow")).all()
        assert len(days) == left
