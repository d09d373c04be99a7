"""The last minutes of a line: a difference is seen within seconds, a ramp or a stop is not taken for one.

Means of a few rows say that ends differ, and so does every stretch that ends now (`checks.sequential`), which alone says that
they are doubtful.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from checks import sequential
from checks.lag import Kernel
from checks.lines import Line, Rows
from checks.result import Verdict, judge
from config.limits import SpanLimit

Floats = NDArray[np.float64]

LOOK_BACK_S = 60
QUICK = 2
"""Rows that do where the lag is learnt: what a second of it makes of the flow's own movement is in the uncertainty."""
SHORT, LONG = 3, 6
"""Rows of the short and of the long mean."""
ROWS_OF_BEGIN, SEEN = 3, 3.0
"""Rows that show the begin of a step: a quiet one, the one with the step in it, one behind it; noise that a quiet row may have."""
STEADINESS = 0.35
"""A row that deviates less than this part of the largest one breaks the case for a fault: transients die away, faults stay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recent:
    """Mean deviation over the last rows [t/h] with its expanded uncertainty, and the means of both stations."""

    verdict: Verdict
    deviation: float = float("nan")
    uncertainty: float = float("nan")
    shown: float = float("nan")
    expected: float = float("nan")
    rows: int = 0


def floor_variance(line: Line, flow: float, gain: float, offset: float) -> float:
    """Variance [t/h squared] of the systematic floor at a flow: gains pivot at 4 mA, offsets do not."""
    return (gain * (flow - line.low)) ** 2 + (offset * line.span) ** 2


def judge_recent(
    line: Line,
    rows: Rows,
    expected: Floats,
    kernel: Kernel,
    *,
    end_s: int,
    noise: tuple[float, float],
    older: tuple[float, float],
    floor: tuple[float, float],
    limit: SpanLimit,
) -> Recent:
    """Judge the rows of the last minute, and those of the last ten by every stretch that ends now.

    `expected` is x as it should arrive [t/h]; `noise` the standard deviation and the lag-one correlation of a row's noise,
    `older` those of the rows before the last ten minutes; `floor` the systematic gain and offset [parts of one]. The uncertainty holds what an unknown lag makes of the
    flow's own movement, so that a ramp cannot be a fault. A deviation below the suspect limit, or below what card and output
    may honestly be off, is never doubtful.
    """
    ready = rows.steady & ~rows.x_high & ~rows.declared_low & kernel.history(rows.good, rows.follows) & np.isfinite(expected)
    index = np.flatnonzero(ready & (rows.start_s >= end_s - LOOK_BACK_S))
    means = Recent(verdict=Verdict.NOT_EVALUATED)
    if len(index) >= SHORT:
        means = _by_means(line, rows, expected, kernel, index, *noise, floor, limit)
    if means.verdict is Verdict.FAULT:
        return means
    for verdict in (Verdict.FAULT, Verdict.SUSPECT):
        found = _stretch(line, rows, expected, kernel, ready, end_s, *older, floor, limit, verdict)
        if found is not None:
            return found
    return replace(means, verdict=Verdict.OK) if means.verdict is Verdict.SUSPECT else means


def _by_means(
    line: Line,
    rows: Rows,
    expected: Floats,
    kernel: Kernel,
    index: NDArray[np.intp],
    sigma: float,
    rho: float,
    floor: tuple[float, float],
    limit: SpanLimit,
) -> Recent:
    if kernel.learnt:
        quick = _over(line, rows, expected, kernel, index[-QUICK:], sigma, rho, floor, limit)
        if quick.verdict is Verdict.FAULT:
            return quick
    short = _over(line, rows, expected, kernel, index[-SHORT:], sigma, rho, floor, limit)
    if short.verdict is Verdict.FAULT or len(index) == SHORT:
        return short
    return _over(line, rows, expected, kernel, index[-LONG:], sigma, rho, floor, limit)


def _stretch(
    line: Line,
    rows: Rows,
    expected: Floats,
    kernel: Kernel,
    ready: NDArray[np.bool_],
    end_s: int,
    sigma: float,
    rho: float,
    floor: tuple[float, float],
    limit: SpanLimit,
    verdict: Verdict,
) -> Recent | None:
    """The newest stretch beyond the limit of this verdict, None where there is none.

    A fault needs a learnt lag, two rows that stand together or of which the first holds the change, and noise and lag both at their
    worst.
    """
    newest = len(rows) - 1
    is_fault = verdict is Verdict.FAULT
    if newest < 0 or not ready[newest] or rows.start_s[newest] + rows.length_s < end_s or (is_fault and not kernel.learnt):
        return None
    first = max(newest + 1 - sequential.STRETCHES, 0)
    broken = np.flatnonzero(~ready[first : newest + 1] | ~rows.follows[first : newest + 1])
    if len(broken):
        first += int(broken[-1]) + (0 if ready[first + broken[-1]] else 1)
    some = slice(first, newest + 1)
    each = rows.y[some] - expected[some]
    systematic = floor_variance(line, float(expected[newest]), *floor)
    honest, span = 2.0 * float(np.sqrt(systematic)), line.span / 100.0
    least = (limit.fault * span + honest) if is_fault else max(limit.suspect * span, honest)
    began = is_fault and has_just_begun(each, sigma)
    found = sequential.beyond(
        each, rows.ends[some], sigma=sigma, rho=rho, late_s=kernel.uncertainty_s, length_s=rows.length_s, limit=least,
        least=QUICK if is_fault and not began else 1 if kernel.learnt else SHORT,
    )  # fmt: skip
    if found is None:
        return None
    if is_fault and (abs(found.mean) - found.noise - found.moved <= least or not (began or lasts(each[-QUICK:]))):
        return None
    standard = found.noise / sequential.level(rows.length_s)
    mean = slice(newest + 1 - found.rows, newest + 1)
    return Recent(
        verdict=verdict, deviation=found.mean, uncertainty=float(2.0 * np.sqrt(standard**2 + systematic) + found.moved),
        shown=float(rows.y[mean].mean()), expected=float(expected[mean].mean()), rows=found.rows,
    )  # fmt: skip


def has_just_begun(each: Floats, sigma: float) -> bool:
    """Whether a change lies inside the last row but one: it stands between the quiet row before it and the newest.

    `each` (n,) deviations of adjacent rows [t/h], the newest last; `sigma` the standard deviation of a quiet one.
    """
    if len(each) < ROWS_OF_BEGIN:
        return False
    quiet, between, newest = each[-ROWS_OF_BEGIN:] * np.sign(each[-1])
    return bool(abs(quiet) <= SEEN * sigma <= between <= newest)


def lasts(each: Floats) -> bool:
    """Whether the deviations of single rows [t/h] stand together as those of a fault do, and do not die away."""
    toward = each * np.sign(each.mean())
    return bool(toward.min() >= STEADINESS * toward.max())


def _swing(rows: Rows, expected: Floats, kernel: Kernel, index: NDArray[np.intp]) -> float:
    """What a second of unknown lag multiplies, over these rows [t/h].

    A known shape that comes a second later moves a mean of adjacent rows by what the flow did from end to end, not by all it
    did in between; an unknown shape may do more.
    """
    first, last = int(index[0]), int(index[-1])
    if kernel.learnt and last - first == len(index) - 1:
        ends = 0.5 * (rows.x_max - rows.x_min)[[first, last]].sum()
        return float(abs(expected[last] - expected[first]) + ends)
    stretch = slice(max(0, first - len(kernel.weights)), last + 1)
    return float(np.nanmax(rows.x_max[stretch]) - np.nanmin(rows.x_min[stretch]))


def _over(
    line: Line,
    rows: Rows,
    expected: Floats,
    kernel: Kernel,
    index: NDArray[np.intp],
    sigma: float,
    rho: float,
    floor: tuple[float, float],
    limit: SpanLimit,
) -> Recent:
    each = rows.y[index] - expected[index]
    deviation = float(each.mean())
    swing = _swing(rows, expected, kernel, index)
    own = float(each.std(ddof=1))
    noise = max(sigma * np.sqrt((1.0 + rho) / (1.0 - rho)), own) / np.sqrt(len(index))
    moved = kernel.uncertainty_s * swing / (len(index) * kernel.length_s)
    flow = float(expected[index].mean())
    standard = np.sqrt(noise**2 + floor_variance(line, flow, *floor))
    uncertainty = float(2.0 * standard + moved)
    per_cent = 100.0 / line.span
    verdict = judge(deviation * per_cent, uncertainty * per_cent, limit.suspect, limit.fault)
    if verdict is Verdict.FAULT and not lasts(each):
        verdict = Verdict.NOT_EVALUATED
    return Recent(
        verdict=verdict,
        deviation=deviation,
        uncertainty=uncertainty,
        shown=float(rows.y[index].mean()),
        expected=flow,
        rows=len(index),
    )
