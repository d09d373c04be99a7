"""A role over a time as at most some hundred buckets, from samples or the finest rollup that fits."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from checks.samples import Samples
from collector.history.rollups import Stored
from collector.history.store import Trend
from config.roles import ROLES

Floats = NDArray[np.float64]

SAMPLES_UP_TO_S = 3 * 3600
MINUTES_UP_TO_S = 10 * 86400


Rows = list[tuple[NDArray[np.int64], Floats, Floats, Floats, Floats]]
"""Stretches of rows in order of time: start [epoch s], good samples, minimum, mean, maximum."""


def of_samples(parts: Iterable[Samples], role: str) -> Rows:
    """Samples as rows."""
    columns = ((samples.time_s, samples.column(role)) for samples in parts)
    return [(time_s, np.isfinite(values).astype(np.float64), values, values, values) for time_s, values in columns]


def of_rollups(parts: Iterable[Stored], role: str) -> Rows:
    """Stored rollups as rows; those that lack the role are left out."""
    out: Rows = []
    for part in parts:
        n, low, mean, high = (part.role(name, role) for name in ("n", "minimum", "mean", "maximum"))
        if n is not None and low is not None and mean is not None and high is not None:
            out.append((part.start_s, n, low, mean, high))
    return out


def source_of(span_s: int) -> int:
    """Length of the rows [s] that a span is drawn from: 1 (samples), 60 or 3600."""
    return 1 if span_s <= SAMPLES_UP_TO_S else 60 if span_s <= MINUTES_UP_TO_S else 3600


def bucketed(
    loop: str,
    role: str,
    begin: int,
    end: int,
    most: int,
    row_s: int,
    parts: Rows,
) -> Trend:
    """Rows laid into at most `most` equal buckets on multiples of their length; a bucket without a good row is left out."""
    step, origin = _step(end - begin, row_s, most), 0
    if (end - 1) // step - begin // step >= most:  # the first and the last bucket stick out
        step, origin = (_step(end - begin, row_s, most - 1), 0) if most > 1 else (step, begin)
    unit = ROLES[role].unit if role in ROLES else "t/h"
    none = np.empty(0)
    start, n, low, mean, high = map(
        np.concatenate, zip(*parts or [(np.empty(0, np.int64), none, none, none, none)], strict=True)
    )
    good = (n > 0) & np.isfinite(mean)
    start, n, low, mean, high = start[good], n[good], low[good], mean[good], high[good]
    bucket = (start - origin) // step
    first = np.flatnonzero(np.diff(bucket, prepend=-1))
    return Trend(
        loop=loop, role=role, unit=unit, step_s=step, time_s=bucket[first] * step + origin,
        minimum=np.minimum.reduceat(low, first), mean=np.add.reduceat(n * mean, first) / np.add.reduceat(n, first),
        maximum=np.maximum.reduceat(high, first),
    )  # fmt: skip


def _step(span_s: int, row_s: int, most: int) -> int:
    return row_s * max(1, -(-span_s // (row_s * most)))
