"""Runs: how long a condition has held without a break."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def runs_over(holds: Bools, present: Bools | None) -> tuple[Floats, Floats, Floats]:
    """Longest run, run at the head and run at the tail, in samples, over the positions of the first axis.

    `holds` is shape (positions, ...), `present` the same or one that spreads over it, or None where every sample is there; a
    position without a sample is passed over. Returns three arrays, shape (...).
    """
    shape = holds.shape[1:]
    longest, head, now, whole = np.zeros(shape), np.zeros(shape), np.zeros(shape), np.ones(shape, np.bool_)
    for position, here in enumerate(holds):
        if present is None:
            now = (now + 1.0) * here
            whole &= here
        else:
            there = present[position]
            now = np.where(there, (now + 1.0) * here, now)
            whole &= here | ~there
        head += whole if present is None else whole & present[position]
        np.maximum(longest, now, out=longest)
    return longest, head, now


def run_at_end(holds: Bools) -> int:
    """How many of the last values hold without a break."""
    broken = np.flatnonzero(~holds)
    return len(holds) - (int(broken[-1]) + 1 if len(broken) else 0)


def same_as_before(values: Floats, before: float) -> Bools:
    """Where a value equals the one before it to the bit; `before` stands ahead of the first. NaN equals nothing."""
    if not len(values):
        return np.zeros(0, np.bool_)
    out = np.empty(len(values), np.bool_)
    out[0] = values[0] == before
    np.equal(values[1:], values[:-1], out=out[1:])
    return out
