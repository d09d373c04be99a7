"""Merges blocks along the fixed tree 10 s -> 1 min -> 1 h -> 1 day on UTC boundaries, by one kernel in one order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checks.blocks import ARRAYS, Blocks

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEVELS = (60, 3600, 86400)
"""Lengths of the merged blocks [s]."""
SUMS = ("covered_s", "state_s", "discontinuities", "own_t", "plc_own_t", "measured_s", "plc_measured_s")
"""Fields that add up."""


def concat(parts: list[Blocks]) -> Blocks:
    """Rows of several stretches in order of time as one; the parts have the same roles."""
    if len(parts) == 1:
        return parts[0]
    return parts[0].with_arrays({name: np.concatenate([getattr(part, name) for part in parts]) for name in ARRAYS})


def merge_groups(blocks: Blocks, first: NDArray[np.intp], joined: Bools, length_s: int) -> Blocks:
    """Groups of neighbouring rows as one row each: from each row in `first` to the one before the next.

    `joined` says of each row whether it begins just behind the one before it, so that runs go on. Each keeps the begin of its
    first row. Means and squares are those of all samples together: sum(n (mean_i - mean)^2) is added to the squares of the
    parts (Chan, Golub and LeVeque 1983, from memory, for more than two parts).
    """
    groups = _Groups(first, len(blocks))
    out: dict[str, NDArray[Any]] = {name: _sum(groups.laid(getattr(blocks, name), 0.0)) for name in SUMS}
    n = groups.laid(blocks.n, 0.0)
    out["n"] = _sum(n)
    mean, away = _means(n, out["n"], groups.laid(blocks.mean, np.nan))
    out["mean"], out["m2"] = mean, _sum(groups.laid(blocks.m2, 0.0)) + _sum(n * away * away)
    out["minimum"] = np.fmin.reduce(groups.laid(blocks.minimum, np.nan))
    out["maximum"] = np.fmax.reduce(groups.laid(blocks.maximum, np.nan))
    out["first"] = _first_known(groups.laid(blocks.first, np.nan))
    out["last"] = _first_known(groups.laid(blocks.last, np.nan)[::-1])
    pair_n = groups.laid(blocks.pair_n, 0.0)
    out["pair_n"] = _sum(pair_n)
    out["pair_x"], away_x = _means(pair_n, out["pair_n"], groups.laid(blocks.pair_x, np.nan))
    out["pair_y"], away_y = _means(pair_n, out["pair_n"], groups.laid(blocks.pair_y, np.nan))
    out["pair_c"] = _sum(groups.laid(blocks.pair_c, 0.0)) + _sum(pair_n * away_x * away_y)
    gained = groups.laid(blocks.increment_t, np.nan)
    known = np.isfinite(gained)
    out["increment_t"] = np.where(known.any(axis=0), _sum(np.where(known, gained, 0.0)), np.nan)
    out |= _runs(groups, blocks, joined)
    rows = {name: np.ascontiguousarray(array.T) if array.ndim == 2 else array for name, array in out.items()}
    return blocks.with_arrays({**rows, "start_s": blocks.start_s[first]}, length_s=length_s)


class _Groups:
    """Where each row of some groups lies: group and position inside it."""

    def __init__(self, first: NDArray[np.intp], rows: int) -> None:
        self._count = np.diff(first, append=rows)
        self._most = int(self._count.max(initial=1))
        self._even = bool((self._count == self._most).all())
        self._group = np.repeat(np.arange(len(first)), self._count)
        self._place = np.arange(rows) - first[self._group]

    def laid(self, rows: NDArray[Any], fill: float) -> NDArray[Any]:
        """Positions first, groups last: (rows, ...) becomes (positions, ..., groups); `fill` where a group has no more rows."""
        columns = rows.shape[1:]
        if self._even:
            return np.moveaxis(rows.T.reshape(*columns, len(self._count), self._most), -1, 0)
        out = np.full((self._most, *columns, len(self._count)), fill, rows.dtype)
        out[(self._place, slice(None), self._group) if columns else (self._place, self._group)] = rows
        return out


def _sum(values: Floats) -> Floats:
    """Sum over the positions, one after the other, from zero: a group without more rows stays as it is to the byte."""
    out = np.zeros(values.shape[1:])
    for part in values:
        out += part
    return out


def _means(n: Floats, total: Floats, means: Floats) -> tuple[Floats, Floats]:
    """Mean of everything, NaN where there is nothing, and how far each part is from it, 0 where it has no sample."""
    counted = n > 0.0
    origin = _first_known(means)
    steps = np.where(counted, means - origin, 0.0)
    mean = np.where(total > 0.0, origin + _sum(n * steps) / np.maximum(total, 1.0), np.nan)
    return mean, np.where(counted, means - mean, 0.0)


def _first_known(values: Floats) -> Floats:
    """The first value over the positions that is there; NaN where none is."""
    out: Floats = values[0]
    for part in values[1:]:
        missing = np.isnan(out)
        if not missing.any():
            break
        out = np.where(missing, part, out)
    return out


def _runs(groups: _Groups, blocks: Blocks, joined: Bools) -> dict[str, Floats]:
    """Longest run, run at the head and at the tail; they go on over a border where the rows are joined."""
    longest, heads, tails = (groups.laid(run, 0.0) for run in (blocks.run_longest, blocks.run_head, blocks.run_tail))
    seconds, follows = groups.laid(blocks.covered_s, 0.0), groups.laid(joined, 0.0)
    there = groups.laid(np.ones(len(blocks), np.bool_), 0.0)
    most, head, tail, covered = longest[0], heads[0], tails[0], seconds[0]
    for place in range(1, len(longest)):
        on = follows[place] & there[place]
        most = np.fmax(np.fmax(most, longest[place]), np.where(on, tail + heads[place], 0.0))
        head = np.where(on & (head >= covered), head + heads[place], head)
        grown = np.where(on & (tails[place] >= seconds[place]), tail + tails[place], tails[place])
        tail = np.where(there[place], grown, tail)
        covered = covered + seconds[place]
    return {"run_longest": most, "run_head": head, "run_tail": tail}


def merge_rows(blocks: Blocks, length_s: int) -> Blocks:
    """Blocks merged to `length_s` [s], each from its first row to its last, in order of time."""
    number = blocks.start_s // length_s
    first = np.flatnonzero(np.diff(number, prepend=number[:1] - 1))
    joined = np.diff(blocks.start_s, prepend=blocks.start_s[:1]) == blocks.length_s
    merged = merge_groups(blocks, first, joined, length_s)
    return merged.with_arrays({"start_s": number[first] * length_s})


class TreeMerger:
    """Takes closed blocks and gives the merged ones as they are closed: when their last part is there or a later one came."""

    def __init__(self) -> None:
        self._open: dict[int, list[Blocks]] = {}

    def push(self, blocks: Blocks) -> Mapping[int, Blocks]:
        """Merged blocks by length; a length without a closed block is missing."""
        out: dict[int, Blocks] = {}
        for length_s in LEVELS:
            if not len(blocks):
                break
            waiting = [*self._open.pop(length_s, ()), blocks]
            newest = int(blocks.start_s[-1])
            last = newest // length_s
            whole = newest + blocks.length_s >= (last + 1) * length_s
            if not whole and int(waiting[0].start_s[0]) // length_s == last:
                self._open[length_s] = waiting
                break
            rows = concat(waiting) if len(waiting) > 1 else blocks
            cut = len(rows) if whole else int(np.searchsorted(rows.start_s, last * length_s))
            if cut < len(rows):
                self._open[length_s] = [rows[slice(cut, None)]]
            blocks = merge_rows(rows[slice(0, cut)], length_s)
            out[length_s] = blocks
        return out
