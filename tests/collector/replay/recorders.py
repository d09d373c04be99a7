"""Recorders that do not store every reading: the same plant as they would have kept it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def by_exception(time: Floats, value: Floats, deadband: float, longest_s: float) -> tuple[Floats, Floats]:
    """A value is stored when it has moved by more than the deadband from the last stored one, or when that is old."""
    kept = [0]
    for row in range(1, len(time)):
        if abs(value[row] - value[kept[-1]]) > deadband or time[row] - time[kept[-1]] >= longest_s:
            kept.append(row)
    return time[kept], value[kept]


def by_lines(time: Floats, value: Floats, deadband: float, longest_s: float) -> tuple[Floats, Floats]:
    """Ends of straight lines from which no reading between lies further than the deadband (the longest that will do)."""
    kept, row = [0], 1
    while row < len(time):
        last = row
        for end in range(row, min(len(time), kept[-1] + int(longest_s))):
            first = kept[-1]
            line = value[first] + (time[first : end + 1] - time[first]) / (time[end] - time[first]) * (
                value[end] - value[first]
            )
            if np.abs(line - value[first : end + 1]).max() > deadband:
                break
            last = end
        kept.append(last)
        row = last + 1
    return time[kept], value[kept]


def write_tag(path: Path, time: Floats, value: Floats, header: str = "value") -> Path:
    """One tag as a file of two columns in the contract."""
    pd.DataFrame({"time": time, header: value}).to_csv(path, index=False)
    return path
