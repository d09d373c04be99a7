"""Which way a total leans against the integral of its flow, over the horizons that the check of the totals looks back on.

Whole numbers of grams are added, so that the chunks in which the blocks come do not matter. It only says when to look: what
is seen is judged by `checks.totals`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from checks.blocks import TOTALS, Blocks
from checks.totals import HORIZONS_S, SKEW_S
from config.model import Loop

GRAMS = 1e6
PART = 0.8
"""A total leans where it is off by this part of the suspect limit, digits and skew allowed for."""
DIGITS = 1.5
"""Last digits by which the ends of a horizon may be rounded."""
FLOWS = ("flow", "plc_flow")
MOST_T = 1e6
"""More tonnes than this in one block are no tonnes."""


class TotalsLean:
    """Remembers what each total gained and should have gained; `push` says of each new block how they lean."""

    def __init__(self, loop: Loop) -> None:
        limit = loop.limits.totals
        self._share, self._least = PART * limit.suspect / 100.0, limit.least_tonnes * GRAMS
        self._columns = [column for column, role in enumerate(TOTALS) if role in loop.tags and FLOWS[column] in loop.tags]
        full = max(loop.gauge.range.high, loop.plc.range.high)
        digits = [total.resolution for total in (loop.gauge.total, loop.plc.total)]
        slack = [(DIGITS * digit + SKEW_S * full / 3600.0) * GRAMS for digit in digits]
        self._slack = np.array([slack[column] for column in self._columns])
        self._horizons = np.array([horizon for horizon in HORIZONS_S if horizon < limit.horizon] + [int(limit.horizon)])
        self._starts = np.zeros(0, np.int64)
        self._sums = np.zeros((2 * len(self._columns), 1), np.int64)

    def push(self, blocks: Blocks) -> NDArray[np.int8]:
        """-1, 0 or 1 for each block, total and horizon, shape (B, totals x horizons)."""
        old = len(self._starts)
        self._starts = np.concatenate([self._starts, blocks.start_s])
        if not self._columns:
            return np.zeros((len(blocks), 0), np.int8)
        grams = np.concatenate([self._grams(blocks, column) for column in self._columns])
        self._sums = np.concatenate([self._sums, self._sums[:, -1:] + np.cumsum(grams, axis=1)], axis=1)
        ends = blocks.start_s + blocks.length_s
        first = np.searchsorted(self._starts, ends - self._horizons[:, None])
        passed = self._sums[:, None, old + 1 :] - self._sums[:, first]
        excess, demanded = passed[::2], passed[1::2]
        limit = self._share * np.maximum(demanded, self._least) + self._slack[:, None, None]
        codes = (np.sign(excess) * (np.abs(excess) > limit)).astype(np.int8)
        kept = int(np.searchsorted(self._starts, ends[-1] - self._horizons[-1]))
        self._starts, self._sums = self._starts[kept:], self._sums[:, kept:]
        return np.asarray(codes.reshape(-1, len(blocks)).T)

    def _grams(self, blocks: Blocks, column: int) -> NDArray[np.int64]:
        """What a total gained too much and what it should have gained [g], shape (2, B); 0 where one of them was not there."""
        own, measured = (blocks.own_t, blocks.measured_s) if column == 0 else (blocks.plc_own_t, blocks.plc_measured_s)
        gained = blocks.increment_t[:, column]
        there = (
            np.isfinite(gained) & np.isfinite(own) & (measured >= blocks.covered_s) & (blocks.discontinuities[:, column] == 0.0)
        )
        with np.errstate(invalid="ignore"):
            there &= (np.abs(gained) < MOST_T) & (np.abs(own) < MOST_T)
        both = np.stack([np.where(there, gained - own, 0.0), np.where(there, own, 0.0)])
        return np.rint(both * GRAMS).astype(np.int64)
