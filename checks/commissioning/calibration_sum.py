"""From a known mass over the belt to a new factor: the steady part of a run, its tonnes, the factor with its uncertainty, the past.

The factor C [kg/m per attenuation] multiplies every flow, so the new one is the old one times reference over indicated tonnes.
Uncertainties are relative and independent, so that their squares add (JCGM 100:2008, 5.1.2); expanded is k = 2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.commissioning.gauge import GaugeFacts

Floats = NDArray[np.float64]
COVERAGE = 2.0
STEADY = 0.9
"""A run is steady while its flow is above this part of its median [1]; own estimate."""
LOADED = 0.05
"""Flow above which a belt is loaded at all [parts of the range]; own estimate."""
SMOOTH_S = 30
TESTS = 3
"""Runs from which a span is changed; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """The part of a run that is used: begin and end [epoch s], its tonnes, and the tonnes of both edges that are left out [t]."""

    begin: float
    end: float
    tonnes: float
    leading_t: float
    tailing_t: float
    missing_s: float

    @property
    def seconds(self) -> float:
        """Its length [s]."""
        return self.end - self.begin

    @property
    def edges(self) -> float:
        """Part of all tonnes that lie in the edges [1]."""
        whole = self.tonnes + self.leading_t + self.tailing_t
        return (self.leading_t + self.tailing_t) / whole if whole > 0.0 else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """The outcome of runs: ratio of reference to indicated tonnes, the new factor [kg/m], both with expanded uncertainty.

    `repeatability` is the standard deviation of one run [1], None from a single one; `enough` says whether there are three runs.
    """

    ratio: float
    ratio_u: float
    factor: float
    factor_u: float
    runs: int
    repeatability: float | None
    enough: bool


def steady_part(time: Floats, flow: Floats, full: float, *, window: tuple[float, float] | None = None) -> Run | None:
    """Leave leading edge and tailings out of a run (common practice, no source).

    Parameters
    ----------
    time, flow : array, shape (n,)
        Seconds [epoch s] and flow [t/h]; NaN is a gap, whose tonnes are not made up.
    full : float
        Range of the gauge [t/h].
    window : (float, float), optional
        Begin and end as a person moved them [epoch s]; None: where the flow, smoothed over half a minute, first and last is
        above 90 % of its median.

    Returns
    -------
    Run or None
        None where nothing was on the belt.
    """
    seen = np.isfinite(flow)
    loaded = seen & (flow > LOADED * full)
    if not loaded.any():
        return None
    step = float(np.median(np.diff(time))) if len(time) > 1 else 1.0
    if window is None:
        kernel = np.ones(max(1, round(SMOOTH_S / step)))
        weight = np.convolve(seen.astype(np.float64), kernel, mode="same")
        smooth = np.convolve(np.where(seen, flow, 0.0), kernel, mode="same") / np.maximum(weight, 1.0)
        steady = np.flatnonzero(smooth >= STEADY * float(np.median(flow[loaded])))
        window = float(time[steady[0]]), float(time[steady[-1]]) + step
    tonnes = np.where(seen, flow, 0.0) * step / 3600.0
    before, after = time < window[0], time >= window[1]
    inside = ~(before | after)
    return Run(
        begin=window[0], end=window[1], tonnes=float(tonnes[inside].sum()), leading_t=float(tonnes[before].sum()),
        tailing_t=float(tonnes[after].sum()), missing_s=float((inside & ~seen).sum()) * step,
    )  # fmt: skip


def counting_uncertainty(facts: GaugeFacts, run: Run) -> float:
    """What counting alone leaves of the tonnes of a run, relative, one standard deviation [1].

    K sqrt(n/T)/N at the mean flow of the run, over that flow: Poisson, and the logarithm is taken for straight within it.
    """
    flow = 3600.0 * run.tonnes / run.seconds
    return facts.t_h_per_attenuation * math.sqrt(facts.gross(flow) / run.seconds) / facts.net(flow) / flow


def zero_uncertainty(facts: GaugeFacts, run: Run, tare_s: float) -> float:
    """What a tare over so many seconds leaves of the tonnes of a run, relative, one standard deviation [1]."""
    flow = 3600.0 * run.tonnes / run.seconds
    return facts.t_h_per_attenuation * math.sqrt(facts.gross(0.0) / tare_s) / facts.net_empty / flow


def new_factor(
    reference: Sequence[float], indicated: Sequence[float], uncertainty: Sequence[float], factor: float, common: float = 0.0
) -> Factor:
    """A factor from runs with known masses.

    Parameters
    ----------
    reference, indicated : sequence of float, shape (n,)
        Tonnes of each run by the reference and by the gauge [t].
    uncertainty : sequence of float, shape (n,)
        Of each ratio, relative, one standard deviation [1], without what all runs share.
    factor : float
        The factor in force [kg/m].
    common : float
        What all runs share (the reference scale, the tare), relative, one standard deviation [1]; it does not average out.

    Raises
    ------
    ValueError
        No run, or tonnes or uncertainties that are not above zero.
    """
    ref, ind, u = (np.asarray(values, np.float64) for values in (reference, indicated, uncertainty))
    if not len(ref) or not (ref > 0.0).all() or not (ind > 0.0).all() or not (u > 0.0).all():
        raise ValueError("every run needs tonnes and an uncertainty above zero")
    ratios, weights = ref / ind, 1.0 / (u * ref / ind) ** 2
    mean = float((weights * ratios).sum() / weights.sum())
    inner = 1.0 / float(weights.sum())
    repeat = float(ratios.std(ddof=1)) if len(ratios) > 1 else None
    outer = 0.0 if repeat is None else repeat**2 / len(ratios)
    expanded = COVERAGE * math.sqrt(max(inner, outer) + (common * mean) ** 2)
    return Factor(
        ratio=mean, ratio_u=expanded, factor=factor * mean, factor_u=factor * expanded, runs=len(ratios), repeatability=repeat,
        enough=len(ratios) >= TESTS,
    )  # fmt: skip


def past_totals(booked: float, found: Factor) -> tuple[float, float]:
    """What tonnes that were booked with the old factor would be with the new one, and their expanded uncertainty [t]."""
    return booked * found.ratio, booked * found.ratio_u
