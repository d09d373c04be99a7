"""Merges blocks along the fixed tree 10 s -> 1 min -> 1 h -> 1 day on UTC boundaries, by one kernel in one order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from checks.blocks import ARRAYS, Blocks

Floats = NDArray[np.float64]

LEVELS = (60, 3600, 86400)
"""Lengths of the merged blocks [s]."""


def concat(parts: list[Blocks]) -> Blocks:
    """Rows of several stretches in order of time as one; the parts have the same roles."""
    if len(parts) == 1:
        return parts[0]
    return parts[0].with_arrays({name: np.concatenate([getattr(part, name) for part in parts]) for name in ARRAYS})


def merge_pair(a: Blocks, b: Blocks, adjoining: NDArray[np.bool_] | None = None) -> Blocks:
    """Row by row, `a` with the later `b` (Chan's update for the moments); both have the same number of rows.

    Runs go on over the border where the two are `adjoining`, shape (rows,); where that is not said, where `b` begins just
    behind the seconds of `a` and nothing is missing in `a`.
    """
    n = a.n + b.n
    mean, m2 = _moments(a.n, a.mean, a.m2, b.n, b.mean, b.m2)
    pair_n = a.pair_n + b.pair_n
    pair_x, pair_y, pair_c = _pair_moments(a, b)
    joined = ((a.start_s + a.covered_s == b.start_s) if adjoining is None else adjoining)[:, None]
    a_whole, b_whole = a.run_head >= a.covered_s[:, None], b.run_tail >= b.covered_s[:, None]
    bridge = np.where(joined, a.run_tail + b.run_head, 0.0)
    return Blocks(
        loop=a.loop, length_s=a.length_s, step_s=a.step_s, start_s=a.start_s, covered_s=a.covered_s + b.covered_s,
        roles=a.roles, n=n, mean=mean, m2=m2,
        minimum=np.fmin(a.minimum, b.minimum), maximum=np.fmax(a.maximum, b.maximum),
        first=np.where(np.isnan(a.first), b.first, a.first), last=np.where(np.isnan(b.last), a.last, b.last),
        pairs=a.pairs, pair_n=pair_n, pair_x=pair_x, pair_y=pair_y, pair_c=pair_c,
        state_s=a.state_s + b.state_s, increment_t=_add_known(a.increment_t, b.increment_t),
        discontinuities=a.discontinuities + b.discontinuities, own_t=a.own_t + b.own_t, plc_own_t=a.plc_own_t + b.plc_own_t,
        measured_s=a.measured_s + b.measured_s, plc_measured_s=a.plc_measured_s + b.plc_measured_s,
        run_longest=np.fmax(np.fmax(a.run_longest, b.run_longest), bridge),
        run_head=np.where(joined & a_whole, a.run_head + b.run_head, a.run_head),
        run_tail=np.where(joined & b_whole, a.run_tail + b.run_tail, b.run_tail),
    )  # fmt: skip


def _moments(n_a: Floats, mean_a: Floats, m2_a: Floats, n_b: Floats, mean_b: Floats, m2_b: Floats) -> tuple[Floats, Floats]:
    n = n_a + n_b
    a, b = np.where(n_a > 0.0, mean_a, 0.0), np.where(n_b > 0.0, mean_b, 0.0)
    share = n_b / np.maximum(n, 1.0)
    step = b - a
    mean = np.where(n_a == 0.0, mean_b, np.where(n_b == 0.0, mean_a, a + step * share))
    both = (n_a > 0.0) & (n_b > 0.0)
    return mean, m2_a + m2_b + np.where(both, step * step * n_a * share, 0.0)


def _pair_moments(a: Blocks, b: Blocks) -> tuple[Floats, Floats, Floats]:
    x, _ = _moments(a.pair_n, a.pair_x, a.pair_c, b.pair_n, b.pair_x, b.pair_c)
    y, _ = _moments(a.pair_n, a.pair_y, a.pair_c, b.pair_n, b.pair_y, b.pair_c)
    both = (a.pair_n > 0.0) & (b.pair_n > 0.0)
    weight = a.pair_n * b.pair_n / np.maximum(a.pair_n + b.pair_n, 1.0)
    cross = np.where(both, (b.pair_x - a.pair_x) * (b.pair_y - a.pair_y) * weight, 0.0)
    return x, y, a.pair_c + b.pair_c + cross


def _add_known(a: Floats, b: Floats) -> Floats:
    return np.where(np.isnan(a), b, np.where(np.isnan(b), a, a + b))


def merge_rows(blocks: Blocks, length_s: int) -> Blocks:
    """Blocks merged to `length_s` [s], each from its first row to its last, in order of time."""
    number = blocks.start_s // length_s
    starts, first, count = np.unique(number, return_index=True, return_counts=True)
    out = _take(blocks, first)
    for place in range(1, int(count.max(initial=1))):
        rows = np.flatnonzero(count > place)
        now = first[rows] + place
        adjoining = blocks.start_s[now - 1] + blocks.length_s == blocks.start_s[now]
        if len(rows) == len(out):
            out = merge_pair(out, _take(blocks, now), adjoining)
            continue
        merged = merge_pair(_take(out, rows), _take(blocks, now), adjoining)
        for name in ARRAYS:
            getattr(out, name)[rows] = getattr(merged, name)
    return replace(out, length_s=length_s, start_s=(starts * length_s).astype(np.int64))


def _take(blocks: Blocks, rows: NDArray[np.intp]) -> Blocks:
    return blocks.with_arrays({name: getattr(blocks, name)[rows] for name in ARRAYS})


class TreeMerger:
    """Takes closed blocks and gives the merged ones as they are closed: when their last part is there or a later one came."""

    def __init__(self) -> None:
        self._open: dict[int, Blocks] = {}

    def push(self, blocks: Blocks) -> Mapping[int, Blocks]:
        """Merged blocks by length; a length without a closed block is missing."""
        out: dict[int, Blocks] = {}
        for length_s in LEVELS:
            if not len(blocks):
                break
            waiting = self._open.pop(length_s, None)
            rows = blocks if waiting is None else concat([waiting, blocks])
            number = rows.start_s // length_s
            whole = rows.start_s[-1] + rows.length_s >= (number[-1] + 1) * length_s
            cut = len(rows) if whole else int(np.searchsorted(number, number[-1]))
            if cut < len(rows):
                self._open[length_s] = rows[slice(cut, None)]
            if cut == 0:
                break
            blocks = merge_rows(rows[slice(0, cut)], length_s)
            out[length_s] = blocks
        return out
