"""Many loops compared from their stored hours: by hand for a few, the same in both databases."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa

from checks.build import BlockBuilder
from checks.merge import TreeMerger
from checks.samples import Samples
from collector.alerts.model import Alert, AlertState, Priority
from collector.history import hour_rows
from collector.history.alert_rows import AlertRows
from collector.history.hour_rows import HOURS, By
from collector.history.state import StateDb
from collector.history.tables import SCHEMA
from config.model import FlowRange, Gauge, History, Loop, Plc, RecordedTag, Site
from tests.collector.alerts.raised import finding
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import MIDNIGHT

ROLES = ("flow", "plc_flow", "gauge_total", "plc_total")
HOUR_S = 3600


def fleet_site() -> Site:
    """Three loops with flows and totals at both ends, and one without totals."""
    loop = Loop(
        gauge=Gauge(range=FlowRange(high=500)), plc=Plc(range=FlowRange(high=500)), tags={role: RecordedTag() for role in ROLES}
    )
    bare = loop.model_copy(update={"tags": {role: RecordedTag() for role in ROLES[:2]}})
    return Site(schema_=1, site="potash-terminal", loops={"TB-07": loop, "TB-08": loop, "TB-09": loop, "TB-10": bare})


def hours(site: Site, loop: str, flow: float, ratio: float, rows: int) -> Samples:
    """Constant flow at the gauge [t/h], the PLC at `ratio` of it, and totals that count both."""
    time_s = MIDNIGHT + np.arange(rows, dtype=np.int64)
    tonnes = flow / 3600.0 * np.arange(rows)
    columns = {
        "flow": np.full(rows, flow),
        "plc_flow": np.full(rows, flow * ratio),
        "gauge_total": tonnes,
        "plc_total": tonnes * ratio,
    }
    values = {role: columns[role] for role in site.loops[loop].tags}
    return Samples(
        loop=loop, time_s=time_s, values=values, quality={role: np.zeros(rows, np.uint8) for role in values},
        flags=np.zeros(rows, np.uint8),
    )  # fmt: skip


def test_loops_are_ranked_by_what_differs_most_and_the_numbers_are_right(opened: Opener) -> None:
    site = fleet_site()
    store = opened(site=site)
    for loop, ratio, rows in (("TB-07", 0.96, 4), ("TB-08", 1.01, 4), ("TB-10", 0.9, 2)):
        builder, tree = BlockBuilder(site, loop, 1), TreeMerger()
        for merged in tree.push(builder.push(hours(site, loop, 300.0, ratio, rows * HOUR_S + 20))).values():
            store.add_rollups(merged)
    with store.state.transaction() as connection:
        for number, at in enumerate((MIDNIGHT + 60, MIDNIGHT + 120, MIDNIGHT - 60)):
            AlertRows(connection).add(
                Alert(
                    id=f"TB-08-{number}", loop="TB-08", link="scaling-block", state=AlertState.NORMAL, active=False,
                    priority=Priority.LOW, finding=finding(loop="TB-08"), raised=float(at), episode=f"TB-08-{number}",
                )
            )  # fmt: skip
    found = store.fleet(By.DIVERGENCE, MIDNIGHT, MIDNIGHT + 4 * HOUR_S, 10)
    assert [line.loop for line in found] == ["TB-07", "TB-08", "TB-09", "TB-10"]
    first, second, third, bare = found
    # By hand: 4 h at 300 t/h are 1200 t; the PLC counts 0.96 of them. The total of the first second of an hour is its start.
    assert first.gauge_t == pytest.approx(1200.0, abs=0.2)
    assert first.divergence == pytest.approx(-4.0, abs=1e-6)
    assert first.rate == pytest.approx(-4.0, abs=1e-6)
    assert second.divergence == pytest.approx(1.0, abs=1e-6)
    assert (second.findings, first.findings) == (2, 0)
    assert (third.divergence, third.rate, third.uptime, third.gauge_t) == (None, None, 0.0, 0.0)
    assert bare.divergence is None
    assert bare.rate == pytest.approx(-10.0, abs=1e-6)
    assert bare.uptime == pytest.approx(50.0, abs=0.1)
    assert [line.loop for line in store.fleet(By.RATE, MIDNIGHT, MIDNIGHT + 4 * HOUR_S, 2)] == ["TB-10", "TB-07"]
    assert [line.loop for line in store.fleet(By.UPTIME, MIDNIGHT, MIDNIGHT + 4 * HOUR_S, 2)] == ["TB-09", "TB-10"]
    assert [line.loop for line in store.fleet(By.FINDINGS, MIDNIGHT, MIDNIGHT + 4 * HOUR_S, 1)] == ["TB-08"]
    assert store.fleet(By.DIVERGENCE, MIDNIGHT + 4 * HOUR_S, MIDNIGHT + 8 * HOUR_S, 1)[0].gauge_t == 0.0


def test_hours_beyond_their_retention_go_with_their_rollups(opened: Opener) -> None:
    site = fleet_site().model_copy(update={"history": History(hour=86_400.0)})
    store = opened(site=site)
    for merged in (
        TreeMerger().push(BlockBuilder(site, "TB-07", 1).push(hours(site, "TB-07", 300.0, 1.0, HOUR_S + 20))).values()
    ):
        store.add_rollups(merged)
    with store.state.transaction() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(HOURS)).scalar_one() == 1
    if store.state.where.startswith("postgres"):
        return  # retention is the work of the collector that acts for the site; the statement is the same
    store.retain(MIDNIGHT + 3 * 86_400.0)
    with store.state.transaction() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(HOURS)).scalar_one() == 0


def test_hours_of_an_older_database_come_from_its_rollups(tmp_path: Path, embedded: Opener) -> None:
    site = fleet_site()
    store = embedded(site=site)
    for merged in (
        TreeMerger().push(BlockBuilder(site, "TB-07", 1).push(hours(site, "TB-07", 300.0, 0.9, HOUR_S + 20))).values()
    ):
        store.add_rollups(merged)
    with store.state.transaction() as connection:
        before = connection.execute(sa.select(HOURS)).all()
        hour_rows.HOURS.drop(connection)
        connection.execute(SCHEMA.update().values(version=8))
    store.close()
    state = StateDb(tmp_path / "data" / "state.db")
    with state.transaction() as connection:
        assert connection.execute(sa.select(HOURS)).all() == before
    state.close()
    assert len(before) == 1
