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
LENGTHS = np.array([rows for rows, _ in LEANS])
MOST = int(LENGTHS.max())
KEPT = LEARN_ROWS + LAGS


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
        design, deviation = self._design(blocks.length_s)
        left, slack = np.full(len(blocks), np.nan), np.zeros((2, len(blocks)))
        for begin, end in self._periods(blocks.start_s):
            self._learn(design, deviation, old + begin)
            here = slice(old + begin, old + end)
            left[begin:end] = deviation[here] - np.nan_to_num(design[here], nan=0.0) @ self._lag
            slack[:, begin:end] = np.array([[self._late], [self._sigma]])
        self._left = np.concatenate([self._left, np.where(rows.steady & ~rows.x_high & ~rows.declared_low, left, np.nan)])
        out = self._lean(old, slack[0], slack[1], blocks.length_s)
        self._rows, self._starts, self._left = self._rows[-KEPT:], self._starts[-KEPT:], self._left[-KEPT:]
        return out

    def _periods(self, starts: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
        """First and last row (exclusive) of each stretch through which what is learnt of the lag stands."""
        cuts = [0, *(np.flatnonzero(np.diff(starts // LEARN_S)) + 1).tolist(), len(starts)]
        return itertools.pairwise(cuts)

    def _design(self, length_s: int) -> tuple[Floats, Floats]:
        """What the lag multiplies, and by how much the far end differs, NaN where a row or its history is not there."""
        x, y, starts = self._rows[:, 0], self._rows[:, 1], self._starts
        design = np.full((len(x), LAGS + 1), np.nan)
        design[:, LAGS] = self._rows[:, 4] - self._rows[:, 2]
        for back in range(1, LAGS + 1):
            adjacent = starts[back:] - starts[:-back] == back * length_s
            design[back:, back - 1] = np.where(adjacent, x[:-back] - x[back:], np.nan)
        return design, y - x

    def _learn(self, design: Floats, deviation: Floats, end: int) -> None:
        """Learn the lag from the rows before `end`: four times an hour until it is known, then once."""
        period, hour = int(self._starts[end]) // LEARN_S, int(self._starts[end]) // AGAIN_S
        if period == self._period or hour == self._hour:
            return
        self._period = period
        part = slice(max(end - LEARN_ROWS, 0), end)
        there = np.isfinite(design[part]).all(axis=1) & np.isfinite(deviation[part])
        if there.sum() < LEAST_ROWS:
            return
        columns, found = design[part][there], deviation[part][there]
        calm = np.abs(found - np.median(found)) <= 6.0 * _scale(found) + 1e-9
        line = np.concatenate([np.ones((int(calm.sum()), 1)), columns[calm]], axis=1)
        self._lag = np.linalg.lstsq(line, found[calm], rcond=1e-9)[0][1:]
        self._sigma = _scale(found - columns @ self._lag)
        self._late = KNOWN_S + 0.3 * self._filter_s
        self._hour = hour

    def _lean(self, old: int, late: Floats, sigma: Floats, length_s: int) -> NDArray[np.int8]:
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
