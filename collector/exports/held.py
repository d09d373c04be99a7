"""Columns that look as if a recorder had stored only what moved: by how much at least, and how far apart at most."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from config.roles import ROLES

Floats = NDArray[np.float64]

LOOKED_AT = frozenset({"flow", "plc_flow", "loop_current", "gauge_output", "count_rate"})
"""Roles that move all the time; others stand rightly."""
FEWEST = 20
"""Changes below which nothing is said."""
REPEATS = 0.5
"""Part of the rows of a table that must show the value of the row before, or nothing."""
ALIKE = 0.4
"""Small changes against the usual one: a recorder by exception stores none below its deadband, noise has many (0.19 for a Gaussian)."""
LEAST = 0.001
"""A change below this part of the range is a digit, and no deadband."""
SHARE = 0.1
LONGEST_SHARE = 0.995


@dataclass(frozen=True, slots=True)
class Held:
    """The smallest usual change of a column [its own unit], and the longest usual time between two stored values [s]."""

    deadband: float
    longest_s: float


def looks_held(time: Floats, value: Floats, *, rows_of_a_table: bool) -> Held | None:
    """What a column looks like; None where it looks as if every reading was stored.

    Parameters
    ----------
    time, value : array, shape (n,)
        Ascending times [epoch s] and values; NaN where the row of a table has nothing for this column.
    rows_of_a_table : bool
        The rows are those of a table of several columns, so that a value may repeat; else each row is a stored value.
    """
    there = np.isfinite(value)
    stamps, stored = time[there], value[there]
    if len(stored) < FEWEST:
        return None
    changed = np.append(True, np.diff(stored) != 0.0)
    moves = np.abs(np.diff(stored[changed]))
    if len(moves) < FEWEST or (rows_of_a_table and changed.sum() > (1.0 - REPEATS) * len(value)):
        return None
    small, usual = np.quantile(moves, [SHARE, 0.5])
    low, high = np.quantile(stored, [0.01, 0.99])
    if small < ALIKE * usual or small < LEAST * (high - low):
        return None
    apart = np.diff(stamps[changed] if rows_of_a_table else stamps)
    return Held(deadband=float(f"{small:.2g}"), longest_s=math.ceil(float(np.quantile(apart, LONGEST_SHARE)) / 10.0) * 10.0)


def held_answer(held: Mapping[str, Held], columns: Mapping[str, tuple[str, str]]) -> str:
    """The answer that fits what the columns look like; `columns` are role and unit by name (empty unit: that of the role)."""
    said = []
    for name, found in held.items():
        role, unit = columns.get(name, ("", ""))
        if role in LOOKED_AT:
            said.append(f"{role}=step:{found.deadband:g} {unit or ROLES[role].unit}:{found.longest_s:g} s")
    return "; ".join(said)
