"""Blocks: the sufficient statistics of fixed stretches of the samples of one loop, one row a block."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STATES = ("loaded", "empty", "stopped", "unknown", "maintenance", "calibrating", "unsettled", "explained")
"""Columns of `Blocks.state_s`. The first four exclude each other and add up to the covered seconds; the others overlap.
`explained` is not read off the samples: the engine marks the blocks in which a categorical cause stood, so that nobody takes
what it left behind for another fault."""

TOTALS = ("gauge_total", "plc_total")
"""Columns of `Blocks.increment_t`."""

RUNS = ("zero_counts", "frozen_counts", "frozen_current", "frozen_plc", "bad_flow", "failure_low", "failure_high")
"""Columns of the run arrays: longest run, run at the head, run at the tail [s], so that runs merge over borders."""

PAIRS: tuple[tuple[str, str], ...] = (("flow", "plc_flow"), ("speed", "drive_speed"))
"""Pairs whose cross moments a block keeps (sample moments: for levels and noise, never for a slope)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks:
    """Rows of blocks of one loop, one length, in order of time; gaps are allowed.

    `roles` are the numeric roles of the loop plus `expected_flow` (per sample from counts, speed and decay, behind the
    gauge's damping where the counts are not filtered) where it can be computed. Statistics over good samples only:
    `n`, `mean`, `m2` (sum of squared deviations), `minimum`, `maximum`, `first`, `last`, each shape (B, R), NaN where n = 0.
    """

    loop: str
    length_s: int
    step_s: int
    start_s: NDArray[np.int64]
    covered_s: Floats
    roles: tuple[str, ...]
    n: Floats
    mean: Floats
    m2: Floats
    minimum: Floats
    maximum: Floats
    first: Floats
    last: Floats
    pairs: tuple[tuple[str, str], ...]
    pair_n: Floats
    pair_x: Floats
    pair_y: Floats
    pair_c: Floats
    state_s: Floats
    increment_t: Floats
    """Tonnes each total gained, rollover, reset and transient resolved, shape (B, 2); NaN where the total is not there."""
    discontinuities: Floats
    """Resets, rollovers and transients seen in each total, shape (B, 2)."""
    own_t: Floats
    """Integral of the gauge flow over the usable time [t], shape (B,)."""
    plc_own_t: Floats
    """Integral of the PLC flow over the usable time [t], shape (B,)."""
    measured_s: Floats
    """Seconds with a usable gauge flow, shape (B,)."""
    plc_measured_s: Floats
    run_longest: Floats
    run_head: Floats
    run_tail: Floats

    def __len__(self) -> int:
        return len(self.start_s)

    def __getitem__(self, rows: slice) -> Blocks:
        out = object.__new__(Blocks)
        for get, put in _FIXED:
            put(out, get(self))
        for get, put in _ROWS:
            put(out, get(self)[rows])
        return out

    def with_arrays(self, arrays: Mapping[str, NDArray[Any]], **changes: Any) -> Blocks:
        """The same kind of blocks with other rows."""
        fields_: dict[str, Any] = {**arrays, **changes}
        changed: Blocks = replace(self, **fields_)
        return changed

    def index(self, role: str) -> int | None:
        """Column of a role, None where the loop lacks it."""
        return self.roles.index(role) if role in self.roles else None

    def of(self, statistic: str, role: str) -> Floats:
        """A statistic ("mean", "maximum", ...) of a role, shape (B,); all NaN (0 for "n") where the loop lacks it."""
        column = self.index(role)
        if column is None:
            return np.zeros(len(self)) if statistic == "n" else np.full(len(self), np.nan)
        values: Floats = getattr(self, statistic)[:, column]
        return values

    def state(self, name: str) -> Floats:
        """Seconds in a state, shape (B,)."""
        values: Floats = self.state_s[:, STATES.index(name)]
        return values


ARRAYS: tuple[str, ...] = tuple(
    item.name for item in fields(Blocks) if item.name not in ("loop", "length_s", "step_s", "roles", "pairs")
)
"""The fields of `Blocks` that hold one row a block."""

_ROWS, _FIXED = (
    [
        (getattr(Blocks, item.name).__get__, getattr(Blocks, item.name).__set__)
        for item in fields(Blocks)
        if (item.name in ARRAYS) is held
    ]
    for held in (True, False)
)
"""Readers and writers of the slots of `Blocks`: views of rows are taken many times at each block, and `replace` takes ten times
as long."""
