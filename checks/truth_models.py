"""Which mechanism draws the deviations of reference lots: each gives a pattern over the lots, scored by marginal likelihood.

A factor or a belt speed is the same at every lot, load shape grows with the load, a basis follows the moisture, the gammas of a
product come with the product. Where the lots do not differ in load, moisture or product, the patterns are the same, the
likelihoods are equal and so are the odds: then the set is told, with what would part it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.finding import UNKNOWN
from checks.hypotheses import Scored
from checks.lots import Lot, Lots

Floats = NDArray[np.float64]

SIZES = ((0.7, 2.0), (0.3, 10.0))
"""Prior on the size of an effect [%]: normal, mostly small."""
TOLERANCE = 0.1
"""How far an effect whose size is known may be off [parts of it]: moisture is sampled, a factor was rounded."""
BASES = ((0.4, 1.0), (0.4, -1.0), (0.1, 2.0), (0.1, -2.0))
"""Moisture left in one weight or the other, and taken off twice, with their shares."""
MOST_MOISTURE = 12.0
"""Where no moisture is known, a basis can explain no more than this [%] (common practice, no source)."""
UNKNOWN_WEIGHT = 0.3
SPLIT = 12.0
"""Fall of chi-square from which lots are parted in time."""
SPLIT_LEAD = 6.0
"""By so much the parting must lead what load, moisture or product explain."""
LEAST_FACTOR = 3.0
"""A last correction smaller than this many standard errors cannot be told from none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Patterns:
    """Deviations r [%] of n lots, their covariance without any effect, and the patterns by cause, each of shape (n,)."""

    r: Floats
    covariance: Floats
    load: Floats
    moisture: Floats | None
    products: tuple[Floats, ...]

    def chi_square(self, *columns: Floats) -> float:
        """What is left of the deviations when these patterns take what they can."""
        solved = np.linalg.inv(self.covariance)
        if not columns:
            return float(self.r @ solved @ self.r)
        x = np.stack(columns, axis=1)
        normal = x.T @ solved @ x
        b = np.linalg.lstsq(normal, x.T @ solved @ self.r, rcond=None)[0]
        left = self.r - x @ b
        return float(left @ solved @ left)


def patterns_of(lots: Sequence[Lot]) -> Patterns:
    """The patterns of some lots, in their order."""
    flow = np.array([lot.flow for lot in lots])
    known = [lot.moisture for lot in lots if lot.moisture is not None]
    wet = np.array(known) if len(known) == len(lots) and max(known) > 0.0 else None
    names = dict.fromkeys(lot.product for lot in lots)
    common = np.array([lot.common for lot in lots])
    return Patterns(
        r=np.array([lot.deviation for lot in lots]),
        covariance=np.diag([lot.random**2 for lot in lots]) + np.outer(common, common),
        load=flow / max(float(flow.mean()), 1e-9),
        moisture=None if wet is None else 100.0 * wet / (100.0 - wet),
        products=tuple(np.array([float(lot.product == name) for lot in lots]) for name in names) if len(names) > 1 else (),
    )  # fmt: skip


def rank(lots: Sequence[Lot], found: Lots, *, speed_proven: bool) -> tuple[Scored, ...]:
    """Posterior probabilities of the causes that only the truth can show, most probable first; all weigh the same.

    `speed_proven`: belt speed was checked by something that would have seen the error.
    """
    p = patterns_of(lots)
    ones = np.ones(len(p.r))
    logs = {"calibration-factor": _free(p, ones), "load-shape": _free(p, p.load)}
    if not speed_proven:
        logs["belt-slip"] = logs["calibration-factor"]
    if p.moisture is not None:
        logs["wet-dry-basis"] = _mixture([(share, _known(p, sign * p.moisture)) for share, sign in BASES])
    elif all(lot.moisture is None for lot in lots) and abs(float(np.mean(p.r))) <= MOST_MOISTURE:
        logs["wet-dry-basis"] = logs["calibration-factor"]
    if p.products:
        logs["product-gammas"] = _mixture([(1.0 / len(p.products), _free(p, column)) for column in p.products])
    if found.factor is not None:
        step = 100.0 * (found.factor - 1.0)
        if abs(step) > LEAST_FACTOR * math.sqrt(float(ones @ np.linalg.inv(p.covariance) @ ones) ** -1):
            logs["factor-twice"] = _known(p, step * ones)
    logs[UNKNOWN] = math.log(UNKNOWN_WEIGHT) + _anything(p)
    top = max(logs.values())
    sizes = {cause: math.exp(value - top) for cause, value in logs.items()}
    whole = sum(sizes.values())
    scored = [Scored(cause=cause, probability=size / whole) for cause, size in sizes.items()]
    return tuple(sorted(scored, key=lambda item: -item.probability))


def split(lots: Sequence[Lot]) -> int:
    """The lot from which they deviate as they do now; 0 where no parting in time explains more than the patterns do."""
    if len(lots) < 3:
        return 0
    p = patterns_of(lots)
    ones = np.ones(len(p.r))
    whole = p.chi_square(ones)
    falls = [whole - p.chi_square(ones, (np.arange(len(lots)) >= first).astype(float)) for first in range(1, len(lots))]
    best = int(np.argmax(falls))
    others = [p.load, *([] if p.moisture is None else [p.moisture]), *p.products]
    explained = whole - min((p.chi_square(ones, column) for column in others), default=whole)
    return best + 1 if falls[best] > SPLIT and falls[best] > explained + SPLIT_LEAD else 0


def _log_density(p: Patterns, mean: Floats, covariance: Floats) -> float:
    left = p.r - mean
    return -0.5 * (float(left @ np.linalg.solve(covariance, left)) + float(np.linalg.slogdet(covariance)[1]))


def _free(p: Patterns, *columns: Floats) -> float:
    """Marginal likelihood (log) of a pattern whose size is not known."""
    parts = []
    for share, size in SIZES:
        spread = sum((np.outer(column, column) for column in columns), np.zeros_like(p.covariance))
        parts.append((share, _log_density(p, np.zeros(len(p.r)), p.covariance + size * size * spread)))
    return _mixture(parts)


def _known(p: Patterns, mean: Floats) -> float:
    """Marginal likelihood (log) of a pattern whose size is known to `TOLERANCE`."""
    return _log_density(p, mean, p.covariance + TOLERANCE**2 * np.outer(mean, mean))


def _anything(p: Patterns) -> float:
    """Marginal likelihood (log) of all patterns at once and every lot by itself."""
    parts = []
    for share, size in SIZES:
        spread = np.outer(np.ones(len(p.r)), np.ones(len(p.r))) + np.eye(len(p.r))
        spread = spread + np.outer(p.load - p.load.mean(), p.load - p.load.mean())
        for column in (*p.products, *([] if p.moisture is None else [p.moisture])):
            spread = spread + np.outer(column, column)
        parts.append((share, _log_density(p, np.zeros(len(p.r)), p.covariance + size * size * spread)))
    return _mixture(parts)


def _mixture(parts: Sequence[tuple[float, float]]) -> float:
    top = max(value for _, value in parts)
    return top + math.log(sum(share * math.exp(value - top) for share, value in parts))
