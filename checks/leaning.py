"""Which way a line leans: the newest rows of its far end, held against what the rows of the last hours say of its lag.

Row by row and with nothing but rows, so that the chunks in which they come do not matter. It only says when to look: what is
seen is judged by `checks.scaling`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.lines import Line, rows_of
from config.model import Loop

Floats = NDArray[np.float64]

LEANS = (
    (2, 0.0025), (2, 0.005), (3, 0.0025), (3, 0.005), (6, 0.0025), (15, 0.0025), (60, 0.0025),
)  # fmt: skip
"""A line leans where the mean of so many rows differs by more than this [parts of span], noise and lag allowed for."""
BRIEF = 3
"""The first of them, which a row or two may show by chance: what they tell of is gone again or soon told by the others."""
LAG_S, KNOWN_S = 6.0, 1.2
"""Lag that a line may have without leaning [s]: beside its declared filter, and beside what its rows say of its lag."""
SIGMAS = 4.0
"""How far noise alone may move a mean [standard deviations]."""
LEARN_S, AGAIN_S = 900, 3600
"""How often the lag is learnt on the clock until it is known, and after that [s]."""
LEARN_ROWS, LEAST_ROWS = 360, 60
"""Rows that it is learnt from at most, and at least."""
LAGS = 2
LENGTHS, SLACKS = np.array([rows for rows, _ in LEANS]), np.array([slack for _, slack in LEANS])
ROOTS = np.sqrt(LENGTHS)
MOST = int(LENGTHS.max())
KEPT = LEARN_ROWS + LAGS
FEW_ROWS = 8
"""Up to so many new rows are looked at one by one: a running service brings one at a time."""


class Leaning:
    """Remembers the rows of one line; `push` says of each new row how it leans. `suspect` is its limit [parts of span]."""

    def __init__(self, line: Line, loop: Loop, suspect: float) -> None:
        self._line, self._loop = line, loop
        filter_s = loop.plc.filter if line.y_role == "plc_flow" else 0.0
        self._least = suspect / LEANS[0][1] * line.span
        self._filter_s = filter_s
        self._starts = np.zeros(0, np.int64)
        self._rows = np.zeros((0, 6))
        self._left = np.zeros(0)
        self._period, self._hour = -1, -1
        self._lag = np.zeros(LAGS + 1)
        self._late, self._sigma = LAG_S + filter_s, 0.0

    def push(self, blocks: Blocks) -> NDArray[np.int8]:
        """-1, 0 or 1 for each row and each of `LEANS`, shape (B, len(LEANS)); 0 where it is not there.

        Rows by which the line is not judged say nothing: the belt does not run settled, the signal may be limited.
        """
        line, old = self._line, len(self._starts)
        rows = rows_of(line, blocks, self._loop)
        self._rows = np.concatenate([self._rows, np.stack([rows.x, rows.y, *rows.ends.T], axis=1)])
        self._starts = np.concatenate([self._starts, blocks.start_s])
        left, slack = np.full(len(blocks), np.nan), np.zeros((2, len(blocks)))
        for begin, end in self._periods(blocks.start_s):
            self._learn(old + begin, blocks.length_s)
            design, deviation = self._design(old + begin, old + end, blocks.length_s)
            left[begin:end] = deviation - np.where(np.isnan(design), 0.0, design) @ self._lag
            slack[:, begin:end] = np.array([[self._late], [self._sigma]])
        self._left = np.concatenate([self._left, np.where(rows.steady & ~rows.x_high & ~rows.declared_low, left, np.nan)])
        out = self._lean(old, slack[0], slack[1], blocks.length_s)
        self._rows, self._starts, self._left = self._rows[-KEPT:], self._starts[-KEPT:], self._left[-KEPT:]
        return out

    def _periods(self, starts: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
        """First and last row (exclusive) of each stretch through which what is learnt of the lag stands."""
        cuts = [0, *(np.flatnonzero(np.diff(starts // LEARN_S)) + 1).tolist(), len(starts)]
        return itertools.pairwise(cuts)

    def _design(self, first: int, end: int, length_s: int) -> tuple[Floats, Floats]:
        """What the lag multiplies in the rows [first, end), and by how much the far end differs.

        NaN where a row or its history is not there.
        """
        begin = max(first - LAGS, 0)
        rows, starts = self._rows[begin:end], self._starts[begin:end]
        x, y = rows[:, 0], rows[:, 1]
        design = np.full((len(x), LAGS + 1), np.nan)
        design[:, LAGS] = rows[:, 4] - rows[:, 2]
        for back in range(1, LAGS + 1):
            adjacent = starts[back:] - starts[:-back] == back * length_s
            design[back:, back - 1] = np.where(adjacent, x[:-back] - x[back:], np.nan)
        return design[first - begin :], (y - x)[first - begin :]

    def _learn(self, end: int, length_s: int) -> None:
        """Learn the lag from the rows before `end`: four times an hour until it is known, then once."""
        period, hour = int(self._starts[end]) // LEARN_S, int(self._starts[end]) // AGAIN_S
        if period == self._period or hour == self._hour:
            return
        self._period = period
        design, deviation = self._design(max(end - LEARN_ROWS, 0), end, length_s)
        there = np.isfinite(design).all(axis=1) & np.isfinite(deviation)
        if there.sum() < LEAST_ROWS:
            return
        columns, found = design[there], deviation[there]
        calm = np.abs(found - np.median(found)) <= 6.0 * _scale(found) + 1e-9
        line = np.concatenate([np.ones((int(calm.sum()), 1)), columns[calm]], axis=1)
        self._lag = np.linalg.lstsq(line, found[calm], rcond=1e-9)[0][1:]
        self._sigma = _scale(found - columns @ self._lag)
        self._late = KNOWN_S + 0.3 * self._filter_s
        self._hour = hour

    def _lean(self, old: int, late: Floats, sigma: Floats, length_s: int) -> NDArray[np.int8]:
        """Sums run from the newest row back, one after the other, so that those of few rows and of many are the same."""
        if len(late) > FEW_ROWS:
            return self._lean_many(old, late, sigma, length_s)
        return np.concatenate([self._lean_one(old + row + 1, late[row], sigma[row], length_s) for row in range(len(late))])

    def _lean_one(self, end: int, late: float, sigma: float, length_s: int) -> NDArray[np.int8]:
        """The newest of the rows before `end`, shape (1, len(LEANS))."""
        begin = max(end - MOST, 0)
        fits = int(np.searchsorted(LENGTHS, end - begin, side="right"))
        lengths = LENGTHS[:fits]
        total = self._left[begin:end][::-1].cumsum()[lengths - 1]
        swing = np.abs(self._rows[end - 1, 4:6] - self._rows[end - lengths, 2:4]).max(axis=1)
        slack = SLACKS[:fits] * self._least + np.hypot(late * swing / (lengths * length_s), SIGMAS * sigma / ROOTS[:fits])
        out = np.zeros((1, len(LEANS)), np.int8)
        with np.errstate(invalid="ignore"):
            out[0, :fits] = np.where(np.abs(total) > lengths * slack, np.sign(total), 0.0)
        return out

    def _lean_many(self, old: int, late: Floats, sigma: Floats, length_s: int) -> NDArray[np.int8]:
        begin = max(old - MOST + 1, 0)
        left, firsts, lasts = self._left[begin:], self._rows[begin:, 2:4], self._rows[old:, 4:6]
        before, rows = old - begin, len(late)
        out = np.zeros((rows, len(LEANS)), np.int8)
        total = np.zeros(rows)
        for length in range(1, MOST + 1):
            reach = before - length + 1
            total[: max(-reach, 0)] = np.nan
            total[max(-reach, 0) :] += left[max(reach, 0) : max(reach + rows, 0)]
            for number in np.flatnonzero(length == LENGTHS).tolist():
                swing = np.zeros(rows)
                swing[max(-reach, 0) :] = np.abs(lasts[max(-reach, 0) :] - firsts[max(reach, 0) : max(reach + rows, 0)]).max(
                    axis=1
                )
                slack = LEANS[number][1] * self._least + np.hypot(
                    late * swing / (length * length_s), SIGMAS * sigma / np.sqrt(length)
                )
                with np.errstate(invalid="ignore"):
                    out[:, number] = np.where(np.abs(total) > length * slack, np.sign(np.nan_to_num(total)), 0.0)
        return out


def _scale(values: Floats) -> float:
    """Standard deviation by the median absolute deviation (1.4826 for a normal distribution)."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
