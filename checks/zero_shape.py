"""The shape of a change over the ledger: level, step, ramp, saw-tooth, what comes and goes, what follows temperature or sun.

Each shape is a line model fitted by weighted least squares at its best change points; a shape scores its log-likelihood less
half a ln n for each number it may choose (Schwarz's criterion).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DAY_S = 86400.0
FINE_S = 2 * DAY_S
"""The last days are looked at by the hour, what lies before by the day."""
MOST_BINS = 240
FEW = 40
"""So few stretches are looked at one by one."""
GAIN_NATS = 12.0
PASSING_S = 1.5 * DAY_S
"""What comes and goes is gone again after so long."""
LEAST_RAMP_S, LEAST_RAMP_ROWS = 6 * 3600.0, 5
"""A slope is seen over so long and so many bins."""
LEAST_DROP = 3.0
"""A fall of so many standard deviations from one bin to the next ends a tooth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bins:
    """Means of the series, shape (n,): time [s], value [t/h] and its variance."""

    time_s: Floats
    value: Floats
    variance: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A fitted shape: its score [nats], when it began [epoch s] with the interval, its size now and slope [t/h, t/h per day]."""

    name: str
    score: float
    begin_s: float
    interval: tuple[float, float]
    size: float
    slope: float = 0.0
    slope_se: float = math.inf
    before: float = 0.0
    changes: tuple[float, ...] = field(default=())


def binned(time_s: Floats, values: Floats, weight: Floats, by_day: float) -> Bins:
    """The series by hours and days; rows that are not finite are left out."""
    good = np.isfinite(values)
    time_s, values, weight = time_s[good], values[good], weight[good]
    if not len(time_s):
        return Bins(time_s=time_s, value=values, variance=weight)
    if len(time_s) <= FEW:
        return Bins(time_s=time_s, value=values, variance=1.0 / weight + by_day**2 / 4.0)
    fine = time_s > time_s[-1] - FINE_S
    key = np.where(fine, np.floor(time_s / 3600.0) + 1e9, np.floor(time_s / DAY_S))
    keys, row_of = np.unique(key, return_inverse=True)
    total = np.bincount(row_of, weight)
    bins = Bins(
        time_s=np.bincount(row_of, weight * time_s) / total,
        value=np.bincount(row_of, weight * values) / total,
        variance=1.0 / total + by_day**2,
    )
    keep = slice(max(0, len(keys) - MOST_BINS), None)
    return Bins(time_s=bins.time_s[keep], value=bins.value[keep], variance=bins.variance[keep])


def shapes(bins: Bins) -> list[Shape]:
    """Every shape that can be fitted, best first; a level alone where nothing else is worth its numbers."""
    n = len(bins.value)
    if n == 0:
        return []
    weight = 1.0 / bins.variance
    level = float((weight * bins.value).sum() / weight.sum())
    base = _score(bins, np.full(n, level), 1)
    out = [Shape(name="level", score=base, begin_s=float(bins.time_s[0]), interval=_whole(bins), size=level)]
    if n >= 4:
        out += [shape for shape in (_step(bins), _ramp(bins), _passing(bins), _saw(bins)) if shape is not None]
    found = [shape for shape in out if shape.name == "level" or shape.score > base + GAIN_NATS]
    return sorted(found, key=lambda shape: -shape.score)


def _whole(bins: Bins) -> tuple[float, float]:
    return float(bins.time_s[0]), float(bins.time_s[0])


def _score(bins: Bins, model: Floats, numbers: int) -> float:
    chi2 = float(((bins.value - model) ** 2 / bins.variance).sum())
    return -0.5 * chi2 - 0.5 * numbers * math.log(len(bins.value))


def _solve(design: Floats, bins: Bins) -> tuple[Floats, Floats]:
    """Coefficients and their covariance for each design, shapes (k, m) and (k, m, m), from designs (k, n, m)."""
    weighted = design / bins.variance[None, :, None]
    normal = np.einsum("kni,knj->kij", weighted, design)
    normal += 1e-9 * np.eye(normal.shape[1])[None] * np.trace(normal, axis1=1, axis2=2)[:, None, None]
    covariance = np.linalg.inv(normal)
    return np.einsum("kij,knj,n->ki", covariance, weighted, bins.value), covariance


def _best(bins: Bins, design: Floats, numbers: int) -> tuple[int, Floats, Floats, Floats]:
    """The best of some designs: its row, coefficients, covariance, and the scores of all."""
    found, covariance = _solve(design, bins)
    model = np.einsum("kni,ki->kn", design, found)
    chi2 = ((bins.value[None] - model) ** 2 / bins.variance[None]).sum(axis=1)
    scores = -0.5 * chi2 - 0.5 * numbers * math.log(len(bins.value))
    best = int(np.argmax(scores))
    return best, found[best], covariance[best], scores


def _alone(design: Floats, bins: Bins) -> tuple[Floats, Floats]:
    found, covariance = _solve(design, bins)
    return found[0], covariance[0]


def _interval(times: Floats, scores: Floats, before: Floats) -> tuple[float, float]:
    """Where the change may lie: three nats below the best, from the bin before the first of them."""
    near = np.flatnonzero(scores >= scores.max() - 3.0)
    return float(before[near[0]]), float(times[near[-1]])


def _step(bins: Bins) -> Shape:
    n = len(bins.value)
    rows = np.arange(1, n)
    after = (np.arange(n)[None] >= rows[:, None]).astype(np.float64)
    design = np.stack([np.ones_like(after), after], axis=2)
    best, found, _, scores = _best(bins, design, 3)
    begin = 0.5 * (bins.time_s[rows[best] - 1] + bins.time_s[rows[best]])
    return Shape(
        name="step", score=float(scores[best]), begin_s=float(begin), size=float(found[1]), before=float(found[0]),
        interval=_interval(bins.time_s[rows], scores, bins.time_s[rows - 1]), changes=(float(begin),),
    )  # fmt: skip


def _ramp(bins: Bins) -> Shape | None:
    """A level that gives way to a slope; from the first bin on it is a slope alone. A short one may as well be a step."""
    last = int(np.searchsorted(bins.time_s, bins.time_s[-1] - LEAST_RAMP_S, side="right"))
    rows = np.arange(0, min(last, len(bins.value) - LEAST_RAMP_ROWS + 1))
    if not len(rows):
        return None
    days = (bins.time_s[None] - bins.time_s[rows][:, None]) / DAY_S
    design = np.stack([np.ones_like(days), np.maximum(days, 0.0)], axis=2)
    best, found, covariance, scores = _best(bins, design, 3)
    interval = _interval(bins.time_s[rows], scores, bins.time_s[np.maximum(rows - 1, 0)])
    from_first = scores[0] >= scores[best] - 3.0
    if from_first:
        best, found, covariance = 0, *_alone(design[:1], bins)
    begin = float(bins.time_s[rows[best]])
    return Shape(
        name="ramp", score=float(scores.max()), begin_s=begin, size=float(found[1] * days[best, -1]), before=float(found[0]),
        interval=interval,
        slope=float(found[1]), slope_se=float(math.sqrt(covariance[1, 1])), changes=(begin,),
    )  # fmt: skip


def _passing(bins: Bins) -> Shape | None:
    """Up and back again within hours, once or several times: bins off the level in short runs."""
    level = float(np.median(bins.value))
    sd = np.sqrt(bins.variance)
    off = np.abs(bins.value - level) > 4.0 * sd
    edges = np.flatnonzero(np.diff(np.concatenate([[False], off, [False]]).astype(np.int8)))
    runs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    signs = {float(np.sign((bins.value[first:last] - level).mean())) for first, last in runs}
    if not runs or len(signs) != 1 or len(runs) > 0.25 * len(bins.value):
        return None
    model, begin = np.full(len(bins.value), level), float(bins.time_s[runs[-1][0]])
    for first, last in runs:
        lasted = bins.time_s[last - 1] - bins.time_s[first]
        if lasted > PASSING_S or (last == len(off) and len(runs) == 1):
            return None
        w = 1.0 / bins.variance[first:last]
        model[first:last] = float((w * bins.value[first:last]).sum() / w.sum())
    before = float(bins.time_s[max(runs[-1][0] - 1, 0)])
    return Shape(
        name="passing", score=_score(bins, model, 1 + 3 * len(runs)), begin_s=begin, interval=(before, begin),
        size=float(model[-1] - level), before=level, changes=tuple(float(bins.time_s[first]) for first, _ in runs),
    )  # fmt: skip


def _saw(bins: Bins) -> Shape | None:
    """A rise that falls back at once, again and again, with one slope for all teeth."""
    sd = np.sqrt(bins.variance[1:] + bins.variance[:-1])
    falls = np.diff(bins.value) / sd
    for sign in (1.0, -1.0):
        rows = np.flatnonzero(-sign * falls > LEAST_DROP) + 1
        if not 1 <= len(rows) <= 24:
            continue
        begins = np.concatenate([[0], rows])
        tooth = np.searchsorted(rows, np.arange(len(bins.value)), side="right")
        days = (bins.time_s - bins.time_s[begins][tooth]) / DAY_S
        design = np.stack([np.ones(len(days)), days], axis=1)[None]
        found, covariance = _solve(design, bins)
        slope = float(found[0, 1])
        if sign * slope <= 0.0:
            continue
        heights = [float(days[tooth == number].max(initial=0.0)) for number in range(len(begins))]
        model = (design[0] @ found[0]).astype(np.float64)
        begin = float(bins.time_s[begins[-1]])
        return Shape(
            name="saw", score=_score(bins, model, 2 + len(rows)), begin_s=begin, slope=slope, before=float(found[0, 0]),
            interval=(float(bins.time_s[max(begins[-1] - 1, 0)]), begin), size=slope * heights[-1],
            slope_se=float(math.sqrt(covariance[0, 1, 1])), changes=tuple(float(bins.time_s[row]) for row in rows),
        )  # fmt: skip
    return None
