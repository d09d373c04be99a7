"""Which way a line leans: the newest rows of its far end, held against what the rows of the last hours say of its lag.

Row by row and with nothing but rows, so that the chunks in which they come do not matter. It only says when to look: what is
seen is judged by `checks.scaling`.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.lines import Line

Floats = NDArray[np.float64]

LEANS = (
    (1, 0.0025), (2, 0.0025), (2, 0.005), (3, 0.0025), (3, 0.005), (6, 0.0025), (15, 0.0025), (60, 0.0025),
)  # fmt: skip
"""A line leans where the mean of so many rows differs by more than this [parts of span], noise and lag allowed for."""
BRIEF = 4
"""The first of them, which a row or two may show by chance: what they tell of is gone again or soon told by the others."""
LAG_S, KNOWN_S = 6.0, 1.2
"""Lag that a line may have without leaning [s]: beside its declared filter, and beside what its rows say of its lag."""
SIGMAS = 4.0
"""How far noise alone may move a mean [standard deviations]."""
LEARN_S, LEARN_ROWS, LEAST_ROWS = 900, 360, 60
"""How often the lag is learnt on the clock [s], from so many rows at most, and the fewest that do."""
LAGS = 2
MOST = max(rows for rows, _ in LEANS)
KEPT = LEARN_ROWS + LAGS


class Leaning:
    """Remembers the rows of one line; `push` says of each new row how it leans. `suspect` is its limit [parts of span]."""

    def __init__(self, line: Line, filter_s: float, suspect: float = LEANS[0][1]) -> None:
        self._line = line
        self._scale = suspect / LEANS[0][1]
        self._filter_s = filter_s
        self._starts = np.zeros(0, np.int64)
        self._rows = np.zeros((0, 6))
        self._period: int | None = None
        self._lag = np.zeros(LAGS + 1)
        self._late, self._sigma, self._centre = LAG_S + filter_s, 0.0, 0.0

    def push(self, blocks: Blocks) -> NDArray[np.int8]:
        """-1, 0 or 1 for each row and each of `LEANS`, shape (B, len(LEANS)); 0 where it is not there."""
        line = self._line
        columns = [
            blocks.of(statistic, role) * scale.gain + scale.offset
            for statistic in ("mean", "first", "last")
            for role, scale in ((line.x_role, line.x), (line.y_role, line.y))
        ]
        self._rows = np.concatenate([self._rows, np.stack(columns, axis=1)])
        self._starts = np.concatenate([self._starts, blocks.start_s])
        out = np.zeros((len(blocks), len(LEANS)), np.int8)
        old = len(self._starts) - len(blocks)
        periods = blocks.start_s // LEARN_S
        cuts = [0, *(np.flatnonzero(np.diff(periods)) + 1).tolist(), len(blocks)]
        for begin, end in itertools.pairwise(cuts):
            if periods[begin] != self._period:
                self._period = int(periods[begin])
                self._learn(old + begin, blocks.length_s)
            out[begin:end] = self._lean(old + begin, old + end, blocks.length_s)
        self._rows, self._starts = self._rows[-KEPT:], self._starts[-KEPT:]
        return out

    def _design(self, first: int, end: int, length_s: int) -> tuple[Floats, Floats]:
        """What the lag multiplies, and by how much the far end differs, NaN where a row or its history is not there."""
        begin = max(first - LAGS, 0)
        x, y = self._rows[begin:end, 0], self._rows[begin:end, 1]
        rows = end - first
        columns = np.full((rows, LAGS + 1), np.nan)
        columns[:, LAGS] = self._rows[first:end, 4] - self._rows[first:end, 2]
        starts = self._starts[begin:end]
        for back in range(1, LAGS + 1):
            at = np.arange(first, end) - begin
            there = at >= back
            at = at[there]
            adjacent = starts[at] - starts[at - back] == back * length_s
            columns[there, back - 1] = np.where(adjacent, x[at - back] - x[at], np.nan)
        return columns, (y - x)[first - begin :]

    def _learn(self, end: int, length_s: int) -> None:
        columns, deviation = self._design(max(end - LEARN_ROWS, 0), end, length_s)
        there = np.isfinite(columns).all(axis=1) & np.isfinite(deviation)
        if there.sum() < LEAST_ROWS:
            return
        columns, deviation = columns[there], deviation[there]
        calm = np.abs(deviation - np.median(deviation)) <= 6.0 * _scale(deviation) + 1e-9
        design = np.concatenate([np.ones((int(calm.sum()), 1)), columns[calm]], axis=1)
        found = np.linalg.lstsq(design, deviation[calm], rcond=1e-9)[0]
        self._lag = found[1:]
        left = deviation - columns @ self._lag
        self._sigma = _scale(left)
        self._late = KNOWN_S + 0.3 * self._filter_s

    def _lean(self, first: int, end: int, length_s: int) -> NDArray[np.int8]:
        begin = max(first - MOST + 1, 0)
        columns, deviation = self._design(begin, end, length_s)
        left = deviation - (np.nan_to_num(columns, nan=0.0) * self._lag).sum(axis=1)
        firsts, lasts = self._rows[begin:end, 2:4], self._rows[begin:end, 4:6]
        rows = end - first
        out = np.zeros((rows, len(LEANS)), np.int8)
        for number, (length, least) in enumerate(LEANS):
            if len(left) < length:
                continue
            mean = np.lib.stride_tricks.sliding_window_view(left, length).mean(axis=1)
            swing = np.abs(lasts[length - 1 :] - firsts[: len(left) - length + 1]).max(axis=1)
            noise = SIGMAS * self._sigma / np.sqrt(length)
            slack = least * self._scale * self._line.span + np.hypot(self._late * swing / (length * length_s), noise)
            with np.errstate(invalid="ignore"):
                leans = np.where(np.abs(mean) > slack, np.sign(mean), 0.0)[-rows:]
            out[rows - len(leans) :, number] = leans
        return out


def _scale(values: Floats) -> float:
    """Standard deviation by the median absolute deviation (1.4826 for a normal distribution)."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
