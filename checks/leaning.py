"""Which way lines lean: the newest rows of their far ends, held against what the rows of the last hours say of their lags.

Row by row and with nothing but rows, so that the chunks in which they come do not matter. It only says when to look: what is
seen is judged by `checks.scaling`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from checks.lines import Line, Rows
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
    """Remembers the rows of some lines of one loop; `push` says of each new row how each line leans.

    `suspect` are their limits [parts of span]. All lines are looked at together, for a running service asks for one row at a time.
    """

    def __init__(self, lines: Sequence[Line], loop: Loop, suspect: Sequence[float]) -> None:
        self._filter_s = [loop.plc.filter if line.y_role == "plc_flow" else 0.0 for line in lines]
        self._limit = np.array([part * line.span for line, part in zip(lines, suspect, strict=True)]) / LEANS[0][1]
        self._starts = np.zeros(0, np.int64)
        self._rows = np.zeros((len(lines), 6, 0))
        self._sums = np.zeros((2, len(lines), 1), np.int64)
        """What is left, and how many rows say nothing, before each row that is kept and behind the last one."""
        self._period = [-1] * len(lines)
        self._again = [-1] * len(lines)
        self._learnt = np.zeros((LAGS + 3, len(lines), 1))
        """The lag of each line, how late it may be beside it [s], its noise [t/h]."""
        self._learnt[LAGS + 1, :, 0] = LAG_S + np.array(self._filter_s)

    def push(self, rows: Sequence[Rows]) -> list[NDArray[np.int8]]:
        """-1, 0 or 1 for each row of each line and each of `LEANS`, shape (B, len(LEANS)) each; 0 where it is not there.

        `rows` are those of each line in the next blocks. Rows by which a line is not judged say nothing: the belt does not run
        settled, the signal may be limited.
        """
        if not rows:
            return []
        old, starts, length_s = len(self._starts), rows[0].start_s, rows[0].length_s
        count = len(starts)
        self._rows = np.concatenate([self._rows, np.stack([[each.x, each.y, *each.ends.T] for each in rows])], axis=2)
        self._starts = np.concatenate([self._starts, starts])
        learnt = self._learn(starts, old, length_s)
        columns, left = self._design(self._rows, old, old + count, length_s)
        for column, lag in zip(columns, learnt, strict=False):
            left = left - np.where(np.isnan(column), 0.0, column) * lag
        there = np.stack([each.steady & ~each.x_high & ~each.declared_low for each in rows]) & np.isfinite(left)
        units = np.rint(np.where(there, np.clip(left, -FAR, FAR), 0.0) / UNIT).astype(np.int64)
        self._sums = np.concatenate([self._sums, self._sums[:, :, -1:] + np.cumsum([units, ~there], axis=2)], axis=2)
        out = self._lean(old, learnt[-2], learnt[-1], length_s)
        self._rows, self._starts, self._sums = self._rows[:, :, -KEPT:], self._starts[-KEPT:], self._sums[:, :, -KEPT - 1 :]
        return [codes.T for codes in out]

    def _learn(self, starts: NDArray[np.int64], old: int, length_s: int) -> Floats:
        """What is known of the lag at each new row, shape (LAGS + 3, lines, B or 1): learnt four times an hour until it is known."""
        begins = [0, *(np.flatnonzero(np.diff(starts // LEARN_S)) + 1).tolist()]
        out = self._learnt
        for begin in begins:
            period, again = int(starts[begin]) // LEARN_S, int(starts[begin]) // AGAIN_S
            for line, known in enumerate(self._again):
                if known == again or self._period[line] == period:
                    continue
                self._period[line] = period
                found = self._lag_of(line, old + begin, length_s)
                if found is not None:
                    self._again[line] = again
                    if out.shape[2] < len(starts):
                        out = np.repeat(self._learnt, len(starts), axis=2)
                    self._learnt[:, line, 0] = found
                    out[:, line, begin:] = self._learnt[:, line]
        return out

    def _design(self, kept: Floats, first: int, end: int, length_s: int) -> tuple[Sequence[Floats], Floats]:
        """What the lag multiplies in the rows [first, end) of `kept`, (..., 6, n), column by column, and by how much the far end differs.

        NaN where a row or its history is not there.
        """
        begin = max(first - LAGS, 0)
        rows, starts = kept[..., begin:end], self._starts[begin:end]
        x = rows[..., 0, :]
        columns = []
        for back in range(1, LAGS + 1):
            column = np.full(x.shape, np.nan)
            adjacent = starts[back:] - starts[:-back] == back * length_s
            column[..., back:] = np.where(adjacent, x[..., :-back] - x[..., back:], np.nan)
            columns.append(column[..., first - begin :])
        return [*columns, (rows[..., 4, :] - rows[..., 2, :])[..., first - begin :]], (rows[..., 1, :] - x)[
            ..., first - begin :
        ]

    def _lag_of(self, line: int, end: int, length_s: int) -> Floats | None:
        """What the rows before `end` say of the lag of a line; None where they are too few."""
        columns, deviation = self._design(self._rows[line], max(end - LEARN_ROWS, 0), end, length_s)
        design = np.stack([*columns, deviation, np.ones(len(deviation))], axis=1)
        design = design[np.isfinite(design).all(axis=1)]
        if len(design) < LEAST_ROWS:
            return None
        found = design[:, LAGS + 1]
        calm = np.abs(found - median(found)) <= 6.0 * deviation_of(found) + 1e-9
        rows = design[calm]
        lag = np.linalg.lstsq(rows[:, [-1, *range(LAGS + 1)]], rows[:, LAGS + 1], rcond=1e-9)[0][1:]
        return np.array([*lag, KNOWN_S + 0.3 * self._filter_s[line], deviation_of(found - design[:, : LAGS + 1] @ lag)])

    def _lean(self, old: int, late: Floats, sigma: Floats, length_s: int) -> NDArray[np.int8]:
        """How far what is left goes beyond what noise and lag may move it, looked at only where it goes beyond the limit.

        Shape (lines, len(LEANS), B).
        """
        lines, rows = self._rows.shape[0], self._rows.shape[2] - old
        out = np.zeros((lines, len(LEANS), rows), np.int8)
        late, sigma = np.broadcast_to(late, (lines, rows)), np.broadcast_to(sigma, (lines, rows))
        for number, (length, part) in enumerate(LEANS):
            first = max(length - 1 - old, 0)
            if first >= rows:
                continue
            behind, ahead = self._sums[:, :, old + first + 1 :], self._sums[:, :, old + first + 1 - length : -length]
            limit = part * self._limit
            total, holes = behind - ahead
            line, beyond = np.nonzero((np.abs(total) > (length * limit / UNIT)[:, None]) & (holes == 0))
            if not len(beyond):
                continue
            row = first + beyond
            swing = np.abs(self._rows[line, 4:6, old + row] - self._rows[line, 2:4, old + row + 1 - length]).max(axis=1)
            slack = np.hypot(late[line, row] * swing / (length * length_s), SIGMAS * sigma[line, row] / np.sqrt(length))
            size = UNIT * total[line, beyond]
            out[line, number, row] = np.where(np.abs(size) > length * (limit[line] + slack), np.sign(size), 0.0)
        return out
