"""What the history says of a period in tonnes and hours, from stored blocks."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from checks.blocks import Blocks
from collector.history.store import Store
from collector.local_days import midnight
from collector.records.chain_report import Bar, Coverage

BY_HOUR_UP_TO_S = 3 * 86400
"""Up to this length a period is drawn hour by hour, above it day by day [s]."""
FINE_UP_TO_S = 8 * 86400
"""Up to this length a period is read by the minute, above it by the hour [s]."""
BELT = ("loaded", "empty", "stopped", "unknown", "maintenance", "calibrating")


def blocks_of(store: Store, loop: str, begin: int, end: int) -> Blocks | None:
    """The stored blocks that start in a period: minutes where it is short and they reach back, else hours; None without any."""
    if end - begin <= FINE_UP_TO_S:
        minutes = _inside(store.rollups(loop, 60, begin, end), begin, end)
        if minutes is not None and int(minutes.start_s[0]) - begin < 3600:
            return minutes
        hours = _inside(store.rollups(loop, 3600, begin, end), begin, end)
        if hours is None or (minutes is not None and int(minutes.start_s[0]) <= int(hours.start_s[0])):
            return minutes
        return hours
    return _inside(store.rollups(loop, 3600, begin, end), begin, end)


def sums(blocks: Blocks | None) -> tuple[float | None, float | None, float | None]:
    """Tonnes of the gauge total, the PLC total and the integral of the gauge flow [t]; None where no block has them."""
    if blocks is None:
        return None, None, None
    gauge, plc = (_sum(blocks.increment_t[:, column]) for column in (0, 1))
    own = float(np.nansum(blocks.own_t)) if float(np.nansum(blocks.measured_s)) > 0.0 else None
    return gauge, plc, own


def coverage(blocks: Blocks | None, begin: int, end: int) -> Coverage:
    """Hours of a period by how well they are known; nothing is covered where there are no blocks."""
    whole = (end - begin) / 3600.0
    if blocks is None:
        return Coverage(period_h=whole, covered_h=0.0, measured_h=0.0, plc_measured_h=0.0, states_h={})
    hours = [float(np.nansum(part)) / 3600.0 for part in (blocks.covered_s, blocks.measured_s, blocks.plc_measured_s)]
    states = {name: float(np.nansum(blocks.state(name))) / 3600.0 for name in BELT}
    return Coverage(
        period_h=whole, covered_h=hours[0], measured_h=hours[1], plc_measured_h=hours[2],
        states_h={name: spent for name, spent in states.items() if spent > 0.0},
    )  # fmt: skip


def bars(blocks: Blocks | None, begin: int, end: int, zone: ZoneInfo) -> tuple[Bar, ...]:
    """The tonnes of each hour of the period, of each local day where it is long; None where nothing was measured."""
    edges = _hours(begin, end) if end - begin <= BY_HOUR_UP_TO_S else _days(begin, end, zone)
    out = []
    for first, last in pairwise(edges):
        part = _inside(blocks, first, last) if blocks is not None else None
        _, plc, own = sums(part)
        out.append(Bar(begin=first, end=last, own=own, plc=plc))
    return tuple(out)


def _inside(blocks: Blocks | None, begin: int, end: int) -> Blocks | None:
    if blocks is None:
        return None
    first, last = np.searchsorted(blocks.start_s, [begin, end])
    return blocks[int(first) : int(last)] if last > first else None


def _hours(begin: int, end: int) -> list[int]:
    return [*range(begin, end, 3600), end]


def _days(begin: int, end: int, zone: ZoneInfo) -> list[int]:
    edges, day = [begin], datetime.fromtimestamp(begin, zone).date() + timedelta(days=1)
    while (edge := midnight(day, zone)) < end:
        edges.append(edge)
        day += timedelta(days=1)
    return [*edges, end]


def _sum(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float | None:
    total = float(np.nansum(values))
    return total if np.isfinite(values).any() and math.isfinite(total) else None
