"""Which way the zero leans: the error that the newest stretches of empty belt show, one by one as the ledger learns of them.

It only says when to look: what is seen is judged by `checks.zero`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from checks.stretches import EmptyStretch, column
from checks.zero_series import kv_of, taken_now, within_limits
from config.model import Loop

Floats = NDArray[np.float64]

LEANS = ((2, 3.0), (6, 1.6), (24, 0.8))
"""The zero leans where the mean of so many stretches goes beyond this part of the suspect limit, uncertainty allowed for."""
MOST = max(rows for rows, _ in LEANS)
COVER = 2.0
UNIT = 1e-6
"""Errors [t/h] and variances [(t/h) squared] are added in whole units of so much, so that the chunks do not matter."""


class ZeroLean:
    """Remembers the error of the newest stretches; `push` says of each new block how the zero leans then."""

    def __init__(self, loop: Loop) -> None:
        limits, span = loop.limits.zero, loop.gauge.range.high - loop.gauge.range.low
        self._loop = loop
        self._limit, self._scatter = limits.suspect / 100.0 * span, limits.scatter / 100.0
        self._rows = np.zeros((2, MOST), np.int64)
        """Error and its variance [UNIT] of the newest stretches that show one."""
        self._seen = 0
        self._code = np.zeros(len(LEANS), np.int8)

    def push(self, fresh: Sequence[EmptyStretch], ends: NDArray[np.int64]) -> NDArray[np.int8]:
        """-1, 0 or 1 for each block and each of `LEANS`, shape (B, len(LEANS)).

        `fresh` are the stretches that the blocks made known, `ends` where the blocks end [epoch s].
        """
        if not fresh:
            return np.broadcast_to(self._code[:, None], (len(LEANS), len(ends))).T
        codes = self._codes(fresh)
        self._code = codes[-1]
        known = np.array([entry.known_s for entry in fresh], np.int64)
        place = np.searchsorted(known, ends, side="right")
        return np.stack([column[place] for column in codes.T]).T

    def _codes(self, fresh: Sequence[EmptyStretch]) -> NDArray[np.int8]:
        """How the zero leans before these stretches and behind each of them, shape (n + 1, len(LEANS))."""
        errors = self._errors(fresh)
        shows = np.isfinite(errors).all(axis=0)
        rows = np.concatenate([self._rows, np.rint(errors[:, shows] / UNIT).astype(np.int64)], axis=1)
        sums = np.cumsum(np.concatenate([np.zeros((2, 1), np.int64), rows], axis=1), axis=1)
        seen = self._seen + np.arange(1, rows.shape[1] - MOST + 1)
        codes = [self._code]
        if len(seen):
            codes += [np.stack([self._lean(sums, seen, *lean) for lean in LEANS], axis=1)]
            self._rows, self._seen = rows[:, -MOST:], int(seen[-1])
        return np.asarray(np.vstack(codes).astype(np.int8)[np.concatenate([[0], np.cumsum(shows)])])

    def _lean(self, sums: NDArray[np.int64], seen: NDArray[np.int64], count: int, part: float) -> Floats:
        total, variance = UNIT * (sums[:, MOST + 1 :] - sums[:, MOST + 1 - count : -count])
        beyond = np.abs(total) > count * part * self._limit + COVER * np.sqrt(variance)
        return np.where(beyond & (seen >= count), np.sign(total), 0.0)

    def _errors(self, fresh: Sequence[EmptyStretch]) -> Floats:
        """Error of the zero and its variance, shape (2, n), as `checks.zero_series` has it but each stretch for itself; NaN where
        neither counts nor flow show it, or the detector is out of its limits."""
        loop, at = self._loop, column(fresh, "speed")
        speed = np.where(np.isfinite(at) & (at != 0.0), at, loop.drive.speed_at_nominal or np.nan)
        own, ln_net = kv_of(loop, 1.0) * speed, column(fresh, "ln_net")
        time_s = 0.5 * (column(fresh, "start_s") + column(fresh, "end_s"))
        error = own * (taken_now(loop, fresh, time_s, ln_net, speed) - ln_net)
        variance = own**2 * (column(fresh, "se") ** 2 + self._scatter**2)
        return np.stack([np.where(within_limits(loop, fresh), error, np.nan), variance])
