"""Runs: how long a condition has held without a break."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def runs_in_rows(holds: Bools, present: Bools) -> tuple[Floats, Floats, Floats]:
    """Longest run, run at the head and run at the tail of each row, in samples.

    `holds` and `present` are shape (rows, positions); a position without a sample is passed over. Returns three arrays,
    shape (rows,).
    """
    rows = len(holds)
    longest, head, now = np.zeros(rows), np.zeros(rows), np.zeros(rows)
    whole = np.ones(rows, np.bool_)
    for position in range(holds.shape[1]):
        here, there = holds[:, position], present[:, position]
        now = np.where(there, np.where(here, now + 1.0, 0.0), now)
        whole &= here | ~there
        head = np.where(there & whole, now, head)
        longest = np.maximum(longest, now)
    return longest, head, now


def run_at_end(holds: Bools) -> int:
    """How many of the last values hold without a break."""
    broken = np.flatnonzero(~holds)
    return len(holds) - (int(broken[-1]) + 1 if len(broken) else 0)


def same_as_before(values: Floats, before: float) -> Bools:
    """Where a value equals the one before it to the bit; `before` stands ahead of the first. NaN equals nothing."""
    if not len(values):
        return np.zeros(0, np.bool_)
    return np.asarray(np.concatenate([[before], values[:-1]]) == values)
