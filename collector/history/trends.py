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
"""Stretches of rows: start [epoch s], good samples, minimum, mean, maximum."""


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
    if not parts:
        none = np.empty(0)
        return Trend(
            loop=loop, role=role, unit=unit, step_s=step, time_s=np.empty(0, np.int64), minimum=none, mean=none, maximum=none
        )
    start, n, low, mean, high = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    good = (n > 0) & np.isfinite(mean)
    start, n, low, mean, high = start[good], n[good], low[good], mean[good], high[good]
    number, row_of = np.unique((start - origin) // step, return_inverse=True)
    weight, total = np.zeros(len(number)), np.zeros(len(number))
    minimum, maximum = np.full(len(number), np.inf), np.full(len(number), -np.inf)
    np.add.at(weight, row_of, n)
    np.add.at(total, row_of, n * mean)
    np.minimum.at(minimum, row_of, low)
    np.maximum.at(maximum, row_of, high)
    return Trend(
        loop=loop, role=role, unit=unit, step_s=step, time_s=(number * step + origin).astype(np.int64), minimum=minimum,
        mean=total / np.maximum(weight, 1.0), maximum=maximum,
    )  # fmt: skip


def _step(span_s: int, row_s: int, most: int) -> int:
    return row_s * max(1, -(-span_s // (row_s * most)))
