"""Do failures come faster or slower: Laplace's test, the chi-square test and the power law (Crow-AMSAA).

Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, sections 8.2.3.4 and 8.4.5.2; MIL-HDBK-189 (1981), appendix C; that
2 b sum ln(T/t) of a true shape b is chi-square with 2r degrees of freedom, 2r - 2 where a failure ended it, after the same.
Times are cumulative hours of required time; a time of zero cannot be fitted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from checks.reliability.rates import Censoring


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A test statistic and the probability of one as far out where there is no trend (one-sided, towards improvement)."""

    statistic: float
    freedom: int | None
    p_improving: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLaw:
    """Expected failures `scale` * t ** `shape`; a shape below 1 improves. `mtbf` [h] is that at the end, with its limits.

    `shape_lower` and `shape_upper` are the exact limits of the shape by chi-square, of the same confidence; None of one failure that
    ended the observation.

    `unbiased`: (r - 1)/sum ln(T/t), or (r - 2) where the observation ended with a failure; else maximum likelihood, r/sum.
    The limits are the handbook's approximation for a time-terminated unbiased fit; None for the others.
    """

    shape: float
    scale: float
    mtbf: float
    lower: float | None
    upper: float | None
    confidence: float
    unbiased: bool
    shape_lower: float | None = None
    shape_upper: float | None = None


def laplace(times: Sequence[float], end: float, censoring: Censoring = Censoring.TIME) -> Trend:
    """Laplace's U: negative improves. A last failure that ends the observation is left out of the mean."""
    found, until = _asked(times, end, censoring)
    if censoring is Censoring.FAILURE:
        found = found[:-1]
    if len(found) == 0:
        raise ValueError("no failure is left to test")
    u = float((found.mean() - until / 2.0) / (until / math.sqrt(12.0 * len(found))))
    return Trend(statistic=u, freedom=None, p_improving=float(stats.norm.cdf(u)))


def chi_square(times: Sequence[float], end: float, censoring: Censoring = Censoring.TIME) -> Trend:
    """2 sum ln(T/t) on 2n (2n - 2 where a failure ended it) degrees of freedom: large improves. It may disagree with U."""
    found, until = _asked(times, end, censoring)
    freedom = 2 * (len(found) - (1 if censoring is Censoring.FAILURE else 0))
    if freedom == 0:
        raise ValueError("no failure is left to test")
    value = 2.0 * float(np.log(until / found).sum())
    return Trend(statistic=value, freedom=freedom, p_improving=float(stats.chi2.sf(value, freedom)))


def power_law(
    times: Sequence[float],
    end: float,
    *,
    censoring: Censoring = Censoring.TIME,
    unbiased: bool = True,
    confidence: float = 0.8,
) -> PowerLaw:
    """Fit the power law.

    Raises
    ------
    ValueError
        Fewer failures than the estimate needs (unbiased: two, or three where a failure ended it), or times outside (0, end].
    """
    found, until = _asked(times, end, censoring)
    r = len(found)
    top = r - ((2 if censoring is Censoring.FAILURE else 1) if unbiased else 0)
    logs = float(np.log(until / found).sum())
    if top < 1 or logs <= 0.0:
        raise ValueError("there are too few failures for a fit")
    shape = top / logs
    scale = r / until**shape
    mtbf = until / (r * shape)
    lower = upper = None
    if unbiased and censoring is Censoring.TIME:
        z = float(stats.norm.ppf(0.5 + confidence / 2.0))
        lower = mtbf * r * (r - 1) / (r + z * z / 4.0 + math.sqrt(r * z * z / 2.0 + z**4 / 16.0)) ** 2
        rest = r - z * math.sqrt(r / 2.0)
        upper = mtbf * r * (r - 1) / rest**2 if rest > 0.0 else None
    freedom = 2 * (r - (1 if censoring is Censoring.FAILURE else 0))
    edges = [float(stats.chi2.ppf(share, freedom)) / (2.0 * logs) if freedom else None for share in _tails(confidence)]
    return PowerLaw(
        shape=shape, scale=scale, mtbf=mtbf, lower=lower, upper=upper, confidence=confidence, unbiased=unbiased,
        shape_lower=edges[0], shape_upper=edges[1],
    )  # fmt: skip


def _tails(confidence: float) -> tuple[float, float]:
    return 0.5 - confidence / 2.0, 0.5 + confidence / 2.0


def _asked(times: Sequence[float], end: float, censoring: Censoring) -> tuple[NDArray[np.float64], float]:
    found = np.sort(np.asarray(times, dtype=np.float64))
    if len(found) == 0:
        raise ValueError("there is no failure")
    if not (found[0] > 0.0 and found[-1] <= end):
        raise ValueError("the times of failures lie above 0 and not after the end")
    return found, float(found[-1]) if censoring is Censoring.FAILURE else float(end)
