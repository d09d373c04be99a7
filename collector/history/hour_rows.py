"""Hours as a few numbers beside their rollups, so that many loops are compared by one query in either database."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from collector.history.metadata import METADATA
from collector.history.statements import insert_or_replace

if TYPE_CHECKING:
    from collector.history.rollups import Stored

HOUR_S = 3600
LEAST_T = 1.0
"""Fewer tonnes than this say nothing about a ratio [t]; own choice."""
ALIKE_S = 60.0
"""Hours in which gauge and PLC were measured for times further apart than this are not compared by rate [s]; own choice."""

HOURS = sa.Table(
    "hours", METADATA,
    sa.Column("loop", sa.Text, primary_key=True),
    sa.Column("start_s", sa.BigInteger, primary_key=True),
    sa.Column("gauge_t", sa.Float),
    sa.Column("plc_t", sa.Float),
    sa.Column("own_t", sa.Float),
    sa.Column("plc_own_t", sa.Float),
    sa.Column("measured_s", sa.Float, nullable=False),
    sa.Column("plc_measured_s", sa.Float, nullable=False),
    sqlite_with_rowid=False,
)  # fmt: skip
"""Tonnes by the totalizers of gauge and PLC, tonnes by integrating their flows, and how long each was measured [s]."""


class By(StrEnum):
    """What loops are compared by."""

    DIVERGENCE = "divergence"
    UPTIME = "uptime"
    RATE = "rate"
    FINDINGS = "findings"


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetLine:
    """A loop over a period.

    divergence : PLC totalizer against gauge totalizer [%], None where fewer tonnes passed than can be compared
    rate : PLC flow against gauge flow [%], over hours in which both were measured alike
    uptime : share of the period in which the gauge flow was usable [%]; hours without a row count as not measured
    findings : alerts raised in the period
    gauge_t, plc_t : tonnes of the hours in which both totalizers were there [t]
    """

    loop: str
    divergence: float | None
    rate: float | None
    uptime: float
    findings: int
    gauge_t: float
    plc_t: float


def add(connection: sa.Connection, loop: str, stored: Stored) -> None:
    """Keep the numbers of hourly rollups, in place of what is there."""
    tonnes = stored.flat[:, stored.columns("increment_t")]
    columns: dict[str, NDArray[np.float64]] = {"gauge_t": tonnes[:, 0], "plc_t": tonnes[:, 1]}
    for name in ("own_t", "plc_own_t", "measured_s", "plc_measured_s"):
        columns[name] = stored.flat[:, stored.columns(name).start]
    rows: list[dict[str, Any]] = []
    for place, start in enumerate(stored.start_s.tolist()):
        numbers = {name: float(column[place]) for name, column in columns.items()}
        rows.append({"loop": loop, "start_s": start, **{name: _finite(value) for name, value in numbers.items()}})
        for name in ("measured_s", "plc_measured_s"):
            rows[-1][name] = rows[-1][name] or 0.0
    insert_or_replace(connection, HOURS, rows)


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def worst(connection: sa.Connection, by: By, begin: int, end: int, loops: Iterable[str], top: int) -> list[FleetLine]:
    """The loops of a site over a period [epoch s], the worst first, at most `top`; those that cannot be compared come last.

    Times are whole hours: an hour that begins in the period is in it. A loop without a row has uptime 0.
    """
    from collector.history.tables import ALERTS

    hours = HOURS.c
    both = sa.and_(hours.gauge_t.is_not(None), hours.plc_t.is_not(None))
    alike = sa.and_(
        hours.own_t.is_not(None), hours.plc_own_t.is_not(None),
        sa.func.abs(hours.measured_s - hours.plc_measured_s) <= ALIKE_S,
    )  # fmt: skip

    def total(column: sa.ColumnElement[Any], where: sa.ColumnElement[bool]) -> sa.ColumnElement[Any]:
        return sa.func.coalesce(sa.func.sum(sa.case((where, column), else_=0.0)), 0.0)

    summed = (
        sa.select(
            hours.loop, total(hours.gauge_t, both).label("gauge_t"), total(hours.plc_t, both).label("plc_t"),
            total(hours.own_t, alike).label("own_t"), total(hours.plc_own_t, alike).label("plc_own_t"),
            sa.func.sum(hours.measured_s).label("measured_s"),
        )
        .where(hours.start_s >= int(begin), hours.start_s < int(end))
        .group_by(hours.loop)
        .subquery()
    )  # fmt: skip
    raised = (
        sa.select(ALERTS.c.loop, sa.func.count().label("findings"))
        .where(ALERTS.c.raised >= float(begin), ALERTS.c.raised < float(end))
        .group_by(ALERTS.c.loop)
        .subquery()
    )
    names = sa.values(sa.column("loop", sa.Text)).data([(loop,) for loop in loops]).cte("site")
    divergence = sa.case((summed.c.gauge_t >= LEAST_T, 100.0 * (summed.c.plc_t - summed.c.gauge_t) / summed.c.gauge_t))
    rate = sa.case((summed.c.own_t >= LEAST_T, 100.0 * (summed.c.plc_own_t - summed.c.own_t) / summed.c.own_t))
    uptime = 100.0 * sa.func.coalesce(summed.c.measured_s, 0.0) / float(end - begin)
    findings = sa.func.coalesce(raised.c.findings, 0)
    order = {
        By.DIVERGENCE: sa.func.abs(divergence).desc().nulls_last(),
        By.RATE: sa.func.abs(rate).desc().nulls_last(),
        By.UPTIME: uptime.asc(),
        By.FINDINGS: findings.desc(),
    }
    wanted = (
        sa.select(
            names.c.loop, divergence.label("divergence"), rate.label("rate"), uptime.label("uptime"),
            findings.label("findings"), summed.c.gauge_t, summed.c.plc_t,
        )
        .select_from(names.outerjoin(summed, summed.c.loop == names.c.loop).outerjoin(raised, raised.c.loop == names.c.loop))
        .order_by(order[by], names.c.loop)
        .limit(top)
    )  # fmt: skip
    return [
        FleetLine(
            loop=row.loop, divergence=row.divergence, rate=row.rate, uptime=float(row.uptime), findings=int(row.findings),
            gauge_t=float(row.gauge_t or 0.0), plc_t=float(row.plc_t or 0.0),
        )
        for row in connection.execute(wanted)
    ]  # fmt: skip
