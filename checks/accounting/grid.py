"""The blocks of a period on its full grid, and the ratio of its two ends."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from checks.accounting.calendar import Period
from checks.blocks import TOTALS, Blocks

LEAST_COMMON, LEAST_COMMON_S = 3, 600
"""Rows, and seconds, in which both ends must be there before their ratio is told."""


class Grid:
    """The blocks of a period on its full grid: zero seconds and zero tonnes where a row is missing or void, the whole row and
    zero tonnes where it is idle. Rows in which a bit said maintenance or calibration are void while the belt moved."""

    def __init__(
        self,
        blocks: Blocks,
        period: Period,
        void: Sequence[tuple[int, int]] = (),
        idle: Sequence[tuple[int, int]] = (),
    ) -> None:
        length = self.length = blocks.length_s
        self.start = np.arange(period.begin, period.end, length, dtype=np.int64)
        here = (blocks.start_s >= period.begin) & (blocks.start_s < period.end)
        rows = (blocks.start_s[here] - period.begin) // length
        self.measured, self.own = np.zeros(len(self.start)), np.zeros(len(self.start))
        self.measured[rows] = np.nan_to_num(blocks.measured_s[here])
        self.own[rows] = np.nan_to_num(blocks.own_t[here])
        self.totals = np.full((len(self.start), len(TOTALS)), np.nan)
        self.totals[rows] = blocks.increment_t[here]
        self.broken = np.zeros(len(self.start), np.bool_)
        self.broken[rows] = blocks.discontinuities[here, 1] > 0.0
        states = {name: np.zeros(len(self.start)) for name in ("loaded", "empty", "stopped")}
        for name, seconds in states.items():
            seconds[rows] = blocks.state(name)[here]
        self.states = states
        busy = np.zeros(len(self.start))
        busy[rows] = np.maximum(blocks.state("maintenance"), blocks.state("calibrating"))[here]
        still = states["stopped"] > 0.5 * length
        self.void = (self._inside(void) | (busy > 0.5 * length)) & ~still
        self.idle = self._inside(idle)
        self.void &= ~self.idle
        self.measured[self.void] = self.own[self.void] = self.own[self.idle] = 0.0
        self.measured[self.idle] = length
        seconds = blocks.plc_measured_s if (blocks.plc_measured_s > 0.0).any() else blocks.covered_s
        whole = np.isfinite(blocks.increment_t[:, 1]) & (seconds >= 0.999 * length)
        self.shown = np.zeros(len(self.start), np.bool_)
        self.shown[rows] = np.nan_to_num(blocks.plc_own_t[here]) > 0.0
        """Rows in which a PLC flow was read."""
        self.read = np.zeros(len(self.start), np.bool_)
        self.read[rows] = whole[here]
        """Rows all through which the PLC total was read."""
        known_before = bool(whole[blocks.start_s == period.begin - length].all()) or not (blocks.start_s < period.begin).any()
        self.late = np.isfinite(self.totals[:, 1]) & ~np.concatenate([[known_before], self.read[:-1]])
        """Rows before which the PLC total was not read: they hold what it gained meanwhile."""

    def _inside(self, stretches: Sequence[tuple[int, int]]) -> NDArray[np.bool_]:
        """Rows of which more than half lies in one of the stretches."""
        out = np.zeros(len(self.start), np.bool_)
        for begin, end in stretches:
            out |= np.minimum(self.start + self.length, end) - np.maximum(self.start, begin) > 0.5 * self.length
        return out

    def total(self, column: int) -> float | None:
        seen = self.totals[:, column]
        return float(np.nansum(seen)) if np.isfinite(seen).any() else None

    @property
    def common(self) -> NDArray[np.bool_]:
        """Rows that the gauge measured whole and in which the PLC total holds this row and nothing else."""
        found = np.isfinite(self.totals[:, 1]) & (self.measured >= 0.999 * self.length) & ~self.late
        return np.asarray(found, np.bool_)

    def apart(self) -> dict[str, float]:
        both = self.common
        difference = np.where(both, np.nan_to_num(self.totals[:, 1]) - self.own, 0.0)
        named = {name: both & (seconds > 0.5 * self.length) for name, seconds in self.states.items()}
        mixed = both & ~np.logical_or.reduce(list(named.values()))
        return {name: float(difference[rows].sum()) for name, rows in {**named, "changing": mixed}.items() if rows.any()}


def ratio_on(grid: Grid) -> tuple[float, float] | None:
    """Own tonnes over PLC tonnes [1] where both are there, and its standard uncertainty; None where too little is."""
    both = grid.common
    plc, own = grid.totals[both, 1], grid.own[both]
    if len(plc) < max(LEAST_COMMON, LEAST_COMMON_S // grid.length) or not plc.sum() > 0.0:
        return None
    ratio = float(own.sum() / plc.sum())
    scatter = math.sqrt(float(np.sum((own - ratio * plc) ** 2)) * len(plc) / (len(plc) - 1)) / float(plc.sum())
    return ratio, scatter
