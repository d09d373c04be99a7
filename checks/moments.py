"""Statistics of the samples of each block, column by column: positions first, blocks last, so that sums run along memory.

Sums run over the positions inside a block, one position after the other, so that they never depend on how many blocks are
made at once. Where every value is there, nothing is masked; the sums are the same then.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SLAB = 512
"""Blocks that are worked on at a time: what they hold fits into the cache of a core."""


class Layout:
    """Where the samples of a stretch lie: block and position inside it. `time_s` in rising order, whole steps."""

    def __init__(self, time_s: NDArray[np.int64], length_s: int, step_s: int) -> None:
        number = time_s // length_s
        fresh = np.flatnonzero(np.diff(number, prepend=number[:1] - 1))
        self.starts = number[fresh] * length_s
        self.places = max(1, length_s // step_s)
        self.whole = len(time_s) == len(fresh) * self.places
        """Whether no sample is missing."""
        self._edges = np.append(fresh, len(time_s))
        if not self.whole:
            self._row = np.repeat(np.arange(len(fresh)), np.diff(self._edges))
            self._place = ((time_s - number * length_s) // step_s).astype(np.intp)

    def __len__(self) -> int:
        return len(self.starts)

    def slabs(self) -> Iterator[slice]:
        """Blocks that are worked on at a time, in order of time."""
        return (slice(begin, min(begin + SLAB, len(self))) for begin in range(0, len(self), SLAB))

    def laid(
        self, columns: Sequence[NDArray[Any]], fill: float, kind: type[np.generic] = np.float64, blocks: slice = slice(0, None)
    ) -> NDArray[Any]:
        """Columns of samples as positions, columns, blocks, all of these or some; `fill` where there is no sample."""
        first, end, _ = blocks.indices(len(self))
        rows = slice(int(self._edges[first]), int(self._edges[end]))
        shape = (self.places, len(columns), end - first)
        if self.whole:
            out = np.empty(shape, kind)
            for place, column in enumerate(columns):
                out[:, place] = column[rows].reshape(end - first, self.places).T
            return out
        out = np.full(shape, fill, kind)
        for place, column in enumerate(columns):
            out[self._place[rows], place, self._row[rows] - first] = column[rows]
        return out

    def added(self, columns: Sequence[Floats]) -> Floats:
        """Sums over the samples of each block, one after the other, shape (columns, blocks)."""
        out = np.empty((len(columns), len(self)))
        for here in self.slabs():
            out[:, here] = added(self.laid(columns, 0.0, blocks=here))
        return out

    def present(self) -> Bools | None:
        """Where there is a sample, shape (positions, 1, blocks); None: everywhere."""
        if self.whole:
            return None
        out: Bools = self.laid([np.ones(len(self._row), np.bool_)], 0, np.bool_)
        return out


class Moments:
    """Statistics over the finite values, shape (blocks, columns) each, and of pairs of columns, shape (blocks, pairs)."""

    FIELDS = ("n", "mean", "m2", "minimum", "maximum", "first", "last")
    PAIRED = ("pair_n", "pair_x", "pair_y", "pair_c")

    def __init__(self, layout: Layout, columns: Sequence[Floats], pairs: Sequence[tuple[int, int]]) -> None:
        self._out = {name: np.empty((len(columns), len(layout))) for name in self.FIELDS}
        self._out |= {name: np.empty((len(pairs), len(layout))) for name in self.PAIRED}
        self._pairs = pairs
        for here in layout.slabs():
            values = layout.laid(columns, np.nan, blocks=here)
            total = added(values)
            if np.isfinite(total).all():
                self._all(values, total, here)
            else:
                self._some(values, np.isfinite(values), here)

    def arrays(self) -> dict[str, Floats]:
        """Every statistic by its name in `checks.blocks.Blocks`."""
        return {name: array.T for name, array in self._out.items()}

    def _all(self, values: Floats, total: Floats, here: slice) -> None:
        """Statistics where every value is there."""
        places = len(values)
        mean = total / places
        away = values - mean
        self._put(
            here, n=float(places), mean=mean, m2=added(away * away), minimum=np.fmin.reduce(values), maximum=np.fmax.reduce(values),
            first=values[0], last=values[-1],
        )  # fmt: skip
        for number, (x, y) in enumerate(self._pairs):
            self._put_pair(here, number, float(places), mean[x], mean[y], added(away[:, x] * away[:, y]))

    def _some(self, values: Floats, good: Bools, here: slice) -> None:
        """Statistics over the finite values alone."""
        n = good.sum(axis=0).astype(np.float64)
        mean = np.where(n > 0.0, added(np.where(good, values, 0.0)) / np.maximum(n, 1.0), np.nan)
        known = np.where(good, values, np.nan)
        first, last = known[0], known[-1]
        for place in range(1, len(values)):
            first = np.where(np.isnan(first), known[place], first)
            last = np.where(np.isnan(last), known[-1 - place], last)
        self._put(
            here, n=n, mean=mean, m2=added(np.where(good, (values - mean) ** 2, 0.0)), minimum=np.fmin.reduce(known),
            maximum=np.fmax.reduce(known), first=first, last=last,
        )  # fmt: skip
        for number, (x, y) in enumerate(self._pairs):
            self._some_pair(values[:, x], values[:, y], good[:, x] & good[:, y], here, number)

    def _some_pair(self, x: Floats, y: Floats, both: Bools, here: slice, number: int) -> None:
        n = both.sum(axis=0).astype(np.float64)
        mean_x, mean_y = (np.where(n > 0.0, added(np.where(both, side, 0.0)) / np.maximum(n, 1.0), np.nan) for side in (x, y))
        cross = added(np.where(both, (x - mean_x) * (y - mean_y), 0.0))
        self._put_pair(here, number, n, mean_x, mean_y, cross)

    def _put(self, here: slice, **found: Floats | float) -> None:
        for name, values in found.items():
            self._out[name][:, here] = values

    def _put_pair(self, here: slice, number: int, n: Floats | float, x: Floats, y: Floats, cross: Floats) -> None:
        for name, values in zip(self.PAIRED, (n, x, y, cross), strict=True):
            self._out[name][number, here] = values


def added(values: Floats) -> Floats:
    """Sum over the positions, one after the other; shape (positions, ...) to (...)."""
    out: Floats = values[0].copy()
    for part in values[1:]:
        out += part
    return out


def added_known(values: Floats) -> Floats:
    """Sum of the finite values over the positions; NaN where there is none."""
    known = np.isfinite(values)
    return np.where(known.any(axis=0), added(np.where(known, values, 0.0)), np.nan)
