"""The readings of one loop aligned on one clock: one row a step, one column a role."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GOOD, UNCERTAIN, BAD = 0, 1, 2
"""Quality codes of a sample; a bad sample has value NaN."""

FLAG_CLOCK_STEP = 1
"""The interval holds a step of the wall clock."""
FLAG_HELD = 2
"""At least one role of the row is held from an earlier second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """A stretch of samples of one loop.

    Parameters
    ----------
    loop : str
        Loop id.
    step_s : int
        Grid step [s], 1 to 60; divides 60.
    time_s : ndarray of int64, shape (n,)
        Start of each grid second, epoch seconds UTC, strictly increasing multiples of `step_s`; gaps are allowed.
    values : mapping of role to ndarray of float64, shape (n,)
        In the canonical unit of the role; NaN where there is no usable reading. Bits are 0.0 and 1.0.
    quality : mapping of role to ndarray of uint8, shape (n,)
        0 good, 1 uncertain, 2 bad (then the value is NaN). Same keys as `values`.
    flags : ndarray of uint8, shape (n,)
        Sum of the FLAG_ constants.
    """

    loop: str
    step_s: int = 1
    time_s: NDArray[np.int64]
    values: Mapping[str, NDArray[np.float64]]
    quality: Mapping[str, NDArray[np.uint8]]
    flags: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.time_s)

    def __getitem__(self, rows: slice) -> Samples:
        return Samples(
            loop=self.loop,
            step_s=self.step_s,
            time_s=self.time_s[rows],
            values={role: column[rows] for role, column in self.values.items()},
            quality={role: column[rows] for role, column in self.quality.items()},
            flags=self.flags[rows],
        )

    def column(self, role: str) -> NDArray[np.float64]:
        """The values of a role [canonical unit], shape (n,); all NaN where the loop lacks the role."""
        found = self.values.get(role)
        return np.full(len(self), np.nan) if found is None else found


def join(parts: Sequence[Samples]) -> Samples:
    """Stretches of one loop with the same step and roles, in order of time, as one. Empty input is an error."""
    first = parts[0]
    if len(parts) == 1:
        return first
    return Samples(
        loop=first.loop,
        step_s=first.step_s,
        time_s=np.concatenate([part.time_s for part in parts]),
        values={role: np.concatenate([part.values[role] for part in parts]) for role in first.values},
        quality={role: np.concatenate([part.quality[role] for part in parts]) for role in first.quality},
        flags=np.concatenate([part.flags for part in parts]),
    )


def empty(loop: str, roles: Sequence[str], step_s: int = 1) -> Samples:
    """No rows, the given roles."""
    return Samples(
        loop=loop,
        step_s=step_s,
        time_s=np.empty(0, np.int64),
        values={role: np.empty(0) for role in roles},
        quality={role: np.empty(0, np.uint8) for role in roles},
        flags=np.empty(0, np.uint8),
    )
