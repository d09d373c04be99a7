"""Tonnes mis-stated since a difference began."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from checks.blocks import Blocks
from checks.hypotheses import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Misstated:
    """Tonnes too many (+) or too few (-) with their expanded uncertainty (k = 2), and the rate at the mean flow [t/h]."""

    tonnes: float
    uncertainty: float
    rate_t_h: float


def since(blocks: Blocks, begin: int) -> Blocks:
    """The blocks that start at or after a moment [epoch s]."""
    return blocks[int(np.searchsorted(blocks.start_s, begin)) :]


def of_line(blocks: Blocks, measured: Measured, begin: int, interval: tuple[int, int]) -> Misstated:
    """The fitted error O + (G - 1) F integrated over the flow since `begin`; the interval of the begin counts as uncertain.

    The raw difference is not integrated: it would carry the lag and every gap. Hours count while the belt moved.
    """
    part = since(blocks, begin)
    if not len(part):
        return Misstated(tonnes=0.0, uncertainty=0.0, rate_t_h=0.0)
    moving = part.state("stopped") == 0.0
    hours = float(part.measured_s[moving].sum()) / 3600.0
    own = float(np.nansum(part.own_t[moving]))
    mean = own / hours if hours > 0.0 else 0.0
    tonnes = measured.offset * hours + measured.gain * own
    along = np.array([hours, own])
    statistical = float(along @ measured.covariance @ along)
    rate = measured.offset + measured.gain * mean
    late = abs(rate) * (interval[1] - interval[0]) / 3600.0 / 4.0
    return Misstated(tonnes=tonnes, uncertainty=2.0 * float(np.sqrt(max(statistical, 0.0) + late**2)), rate_t_h=rate)


def of_flows(blocks: Blocks, begin: int, relative: float = 0.01) -> Misstated | None:
    """PLC flow less gauge flow, integrated over the blocks since `begin` that have both; None where there are none."""
    part = since(blocks, begin)
    both = (part.measured_s > 0.0) & (part.plc_measured_s > 0.0) & np.isfinite(part.own_t) & np.isfinite(part.plc_own_t)
    hours = float(part.measured_s[both].sum()) / 3600.0
    if hours <= 0.0:
        return None
    own, shown = float(part.own_t[both].sum()), float(part.plc_own_t[both].sum())
    tonnes = shown - own
    return Misstated(tonnes=tonnes, uncertainty=2.0 * relative * max(abs(own), abs(shown)), rate_t_h=tonnes / hours)
