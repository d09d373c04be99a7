"""Totals that counted on while nobody read them: their gain is laid over the time in which it came."""

from __future__ import annotations

import numpy as np

from checks.blocks import ARRAYS, TOTALS, Blocks

LONGEST_S = 20 * 3600
"""A total that was not read for longer may have been taken up anew: its next reading says nothing of the time between [s]."""
UNKNOWN = ("mean", "minimum", "maximum", "first", "last", "increment_t")
"""Arrays that are NaN where a row is missing; the others are zero there."""


def laid(blocks: Blocks) -> Blocks:
    """The blocks on their full grid, each gain [t] that came with the first reading after a gap shared evenly with the rows before
    that were not read. Rows of a gap so filled count as read by the PLC (`plc_measured_s`). The sum stays as it is. A total
    that began anew, or was not read for longer than `LONGEST_S`, is left as it is: its rows are NaN."""
    if not len(blocks):
        return blocks
    length = blocks.length_s
    out = _on_full_grid(blocks)
    gained, seconds = out.increment_t, out.plc_measured_s
    for column in range(len(TOTALS)):
        seen = np.flatnonzero(np.isfinite(gained[:, column]))
        for at in np.flatnonzero(np.diff(seen) > 1):
            before, after = int(seen[at]), int(seen[at + 1])
            if out.discontinuities[after, column] > 0.0 or (after - before - 1) * length > LONGEST_S:
                continue
            gained[before + 1 : after + 1, column] = gained[after, column] / (after - before)
            if TOTALS[column] == "plc_total":
                seconds[before : after + 1] = length
    return out


def _on_full_grid(blocks: Blocks) -> Blocks:
    """A copy with a row for every block between the first and the last."""
    length = blocks.length_s
    rows = (blocks.start_s - blocks.start_s[0]) // length
    count = int(rows[-1]) + 1
    arrays = {}
    for name in ARRAYS:
        values = getattr(blocks, name)
        whole = np.zeros((count, *values.shape[1:]), values.dtype)
        if name in UNKNOWN:
            whole.fill(np.nan)
        whole[rows] = values
        arrays[name] = whole
    arrays["start_s"] = blocks.start_s[0] + length * np.arange(count, dtype=np.int64)
    return blocks.with_arrays(arrays)
