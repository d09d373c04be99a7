"""Which way a line leans: the newest rows of its far end, held against what the rows of the last hours say of its lag.

Row by row and with nothing but rows, so that the chunks in which they come do not matter. It only says when to look: what is
seen is judged by `checks.scaling`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.lines import Line, Rows, rows_of
from checks.middle import deviation_of, median
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
LEARN_S, AGAIN_S = 900, 43_200
"""How often the lag is learnt on the clock until it is known, and after that [s]."""
LEARN_ROWS, LEAST_ROWS = 360, 60
"""Rows that it is learnt from at most, and at least."""
LAGS = 2
MOST = max(rows for rows, _ in LEANS)
KEPT = LEARN_ROWS + LAGS
UNIT = 1e-6
"""What is left of a row is added in whole units of so much [t/h], so that the chunks in which rows come do not matter."""
FAR = 1e9
"""More than this is no flow [t/h]."""


class Leaning:
    """Remembers the rows of one line; `push` says of each new row how it leans. `suspect` is its limit [parts of span]."""

    def __init__(self, line: Line, loop: Loop, suspect: float) -> None:
        self._line, self._loop = line, loop
        filter_s = loop.plc.filter if line.y_role == "plc_flow" else 0.0
        self._least = suspect / LEANS[0][1] * line.span
        self._filter_s = filter_s
        self._starts = np.zeros(0, np.int64)
        self._rows = np.zeros((6, 0))
        self._sums = np.zeros((2, 1), np.int64)
        """What is left, and how many rows say nothing, before each row that is kept and behind the last one."""
        self._period, self._again = -1, -1
        self._lag = np.zeros(LAGS + 1)
        self._late, self._sigma = LAG_S + filter_s, 0.0

    def push(self, blocks: Blocks) -> NDArray[np.int8]:
        """As `lean`, of the rows of the line in the next blocks."""
        return self.lean(rows_of(self._line, blocks, self._loop))

    def lean(self, rows: Rows) -> NDArray[np.int8]:
        """-1, 0 or 1 for each row and each of `LEANS`, shape (B, len(LEANS)); 0 where it is not there.

        Rows by which the line is not judged say nothing: the belt does not run settled, the signal may be limited.
        """
        old, count, length_s = len(self._starts), len(rows), rows.length_s
        self._rows = np.concatenate([self._rows, np.stack([rows.x, rows.y, *rows.ends.T])], axis=1)
        self._starts = np.concatenate([self._starts, rows.start_s])
        learnt = np.repeat(self._learnt(), count, axis=1)
        for begin in self._periods(rows.start_s):
            self._learn(old + begin, length_s)
            learnt[:, begin:] = self._learnt()
        design, left = self._design(old, old + count, length_s)
        for column, lag in zip(design, learnt, strict=False):
            left = left - np.where(np.isnan(column), 0.0, column) * lag
        there = rows.steady & ~rows.x_high & ~rows.declared_low & np.isfinite(left)
        units = np.rint(np.where(there, np.clip(left, -FAR, FAR), 0.0) / UNIT).astype(np.int64)
        self._sums = np.concatenate([self._sums, self._sums[:, -1:] + np.cumsum([units, ~there], axis=1)], axis=1)
        out = self._lean(old, learnt[-2], learnt[-1], length_s)
        self._rows, self._starts, self._sums = self._rows[:, -KEPT:], self._starts[-KEPT:], self._sums[:, -KEPT - 1 :]
        return out

    def _learnt(self) -> Floats:
        """What is known now: the lag, how late the line may be beside it, its noise; shape (LAGS + 3, 1)."""
        return np.array([*self._lag, self._late, self._sigma])[:, None]

    def _periods(self, starts: NDArray[np.int64]) -> Iterator[int]:
        """First row of each stretch before which the lag may have to be learnt anew."""
        begins = [0, *(np.flatnonzero(np.diff(starts // LEARN_S)) + 1).tolist()] if len(starts) else []
        for begin, again in zip(begins, (starts[begins] // AGAIN_S).tolist(), strict=True):
            if again != self._again:
                yield begin

    def _design(self, first: int, end: int, length_s: int) -> tuple[Sequence[Floats], Floats]:
        """What the lag multiplies in the rows [first, end), column by column, and by how much the far end differs.

        NaN where a row or its history is not there.
        """
        begin = max(first - LAGS, 0)
        rows, starts = self._rows[:, begin:end], self._starts[begin:end]
        x = rows[0]
        columns = []
        for back in range(1, LAGS + 1):
            column = np.full(len(x), np.nan)
            adjacent = starts[back:] - starts[:-back] == back * length_s
            column[back:] = np.where(adjacent, x[:-back] - x[back:], np.nan)
            columns.append(column[first - begin :])
        return [*columns, (rows[4] - rows[2])[first - begin :]], (rows[1] - x)[first - begin :]

    def _learn(self, end: int, length_s: int) -> None:
        """Learn the lag from the rows before `end`: four times an hour until it is known, then every two hours."""
        period, again = int(self._starts[end]) // LEARN_S, int(self._starts[end]) // AGAIN_S
        if period == self._period:
            return
        self._period = period
        columns, deviation = self._design(max(end - LEARN_ROWS, 0), end, length_s)
        design = np.stack([*columns, deviation, np.ones(len(deviation))], axis=1)
        design = design[np.isfinite(design).all(axis=1)]
        if len(design) < LEAST_ROWS:
            return
        found = design[:, LAGS + 1]
        calm = np.abs(found - median(found)) <= 6.0 * deviation_of(found) + 1e-9
        line = design[calm]
        self._lag = np.linalg.lstsq(line[:, [-1, *range(LAGS + 1)]], line[:, LAGS + 1], rcond=1e-9)[0][1:]
        self._sigma = deviation_of(found - design[:, : LAGS + 1] @ self._lag)
        self._late = KNOWN_S + 0.3 * self._filter_s
        self._again = again

    def _lean(self, old: int, late: Floats, sigma: Floats, length_s: int) -> NDArray[np.int8]:
        """How far what is left goes beyond what noise and lag may move it, looked at only where it goes beyond the limit."""
        out = np.zeros((len(late), len(LEANS)), np.int8, order="F")
        for number, (length, part) in enumerate(LEANS):
            first = max(length - 1 - old, 0)
            if first >= len(late):
                continue
            behind, ahead = self._sums[:, old + first + 1 :], self._sums[:, old + first + 1 - length : -length]
            limit = part * self._least
            total, holes = behind - ahead
            beyond = np.flatnonzero((np.abs(total) > length * limit / UNIT) & (holes == 0))
            if not len(beyond):
                continue
            row = first + beyond
            swing = np.abs(self._rows[4:6, old + row] - self._rows[2:4, old + row + 1 - length]).max(axis=0)
            slack = np.hypot(late[row] * swing / (length * length_s), SIGMAS * sigma[row] / np.sqrt(length))
            size = UNIT * total[beyond]
            out[row, number] = np.where(np.abs(size) > length * (limit + slack), np.sign(size), 0.0)
        return out
