"""The second of a change: where inside the rows about a split the line gave way, with an interval as near to 95 % as whole seconds come.

A change in the middle of a row leaves a row between the two lines, and its height tells the second. The posterior over the
second (flat before the data, lines and noise integrated out) gives the interval; for a mean that shifts once, such an interval
holds the truth as often as it says (Pitman 1939, estimation of location; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.onset import Split

Floats = NDArray[np.float64]
Along = Callable[[Floats], Floats]

SIDE = 120
"""Rows of each side that take part."""
REACH = 3
"""Rows beyond the interval of the split in which the second is still sought."""
MOST_ROWS = 60
"""Rows in which the second is sought at most; of more, whole rows are told apart and no seconds."""
SLOPE_SCALE = 0.1
"""Slope, and change of slope, thought possible beforehand [1 sigma]: keeps short sides from overfitting."""
COVERED, LEAST_COVERED = 0.95, 0.925
TINY = 1e-6
"""Part of a second that an interpolation may be off [s]."""
LEAST_SHARE = 0.01
"""Part of `floor` squared that a row scatters at least: numbers may be exact."""
DEPENDENT = 1e-12
"""Part of its square that a column has at least beyond those before it."""
UNEVEN = 0.3
"""How far the mean flow of a part of a row lies off that of the row [parts of the range of the flow within it, 1 sigma]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """When a change began: the best second and the ends of its interval [epoch s], all whole seconds and both ends in it.

    `held` is the probability that the interval holds the second: as near to 0.95 as whole seconds come, 0.925 at least.
    """

    at: int
    low: int
    high: int
    held: float


def moment(
    start_s: NDArray[np.int64],
    x: Floats,
    ranges: Floats,
    deviation: Floats,
    split: Split,
    *,
    length_s: int,
    floor: float,
    late_s: float = 0.0,
) -> Moment:
    """The second at which deviation = a + b x gave way to another line, sought about the split of the rows.

    `start_s` (n,) begins of rows of `length_s` [s] in order of time, gaps allowed; `x`, `ranges` (how far it
    moved within a row) and `deviation` (n,) [t/h], no NaN; `floor` is the least standard deviation [t/h]. What changes may be anywhere on a path that
    is `late_s` [s] long: the far end shows it up to so much later, which the interval allows for with no more than it must
    (Imbens and Manski, Econometrica 72 (2004), interval of a partly identified value; from memory).
    """
    first, last = max(split.first - 1 - REACH, split.since), min(split.last + REACH, len(x) - 1)
    part = slice(max(first - SIDE, split.since), last + 1 + SIDE)
    begins = start_s[part].astype(np.float64)
    seconds, widths = _candidates(start_s[first : last + 1].astype(np.float64), length_s)
    likelihood = _log_likelihood(begins, x[part], ranges[part], deviation[part], seconds, length_s, split.rho, floor)
    weight = widths * np.exp(likelihood)
    cumulative = np.concatenate([[0.0], np.cumsum(weight)]) / weight.sum()
    edges = np.concatenate([[seconds[0] - 0.5 * widths[0]], seconds + 0.5 * widths])

    def below(second: Floats | float) -> Floats:
        return np.asarray(np.interp(second, edges, cumulative), np.float64)

    def quantile(probability: Floats | float) -> Floats:
        return np.asarray(np.interp(probability, cumulative, edges), np.float64)

    def held(low: Floats | float, high: Floats | float) -> Floats:
        """Probability of low..high where what changed lies at the end of the path, or at its begin: the smaller."""
        return np.minimum(below(high) - below(low), below(high + late) - below(low + late))

    late = max(late_s, 0.0)
    first_s, last_s = _nearest(np.arange(math.floor(edges[0] - late), math.ceil(edges[-1]) + 1.0), late, below, quantile, held)
    return Moment(
        at=min(max(round(float(quantile(0.5)) - 0.5 * late), first_s), last_s), low=first_s, high=last_s,
        held=float(held(first_s - 0.5, last_s + 0.5)),
    )  # fmt: skip


def _nearest(
    seconds: Floats, late: float, below: Along, quantile: Along, held: Callable[[Floats, Floats], Floats]
) -> tuple[int, int]:
    """First and last of the whole seconds that hold the change with a probability as near to 95 % as whole seconds come, and not
    with less than `LEAST_COVERED`; of equally many seconds the likeliest."""
    before = np.stack([below(seconds - 0.5), below(seconds - 0.5 + late)])

    def fewest(covered: float) -> int:
        able = (before < 1.0 - covered).all(axis=0)
        ends = quantile(np.minimum(before[:, able] + covered, 1.0)) - np.array([[0.0], [late]])
        return int(np.maximum(np.ceil(ends.max(axis=0) - 0.5 - TINY) - seconds[able], 0.0).min())

    found = []
    for more in range(fewest(LEAST_COVERED), fewest(COVERED) + 1):
        each = held(seconds - 0.5, seconds + more + 0.5)
        best = int(np.argmax(each))
        found.append((abs(float(each[best]) - COVERED), int(seconds[best]), int(seconds[best]) + more))
    return min(found)[1:]


def _candidates(begins: Floats, length_s: int) -> tuple[Floats, Floats]:
    """Seconds at which the change may lie and how long each stands for: every second of a row, a gap as a whole."""
    step = 1.0 if len(begins) <= MOST_ROWS else float(length_s)
    inside = np.arange(0.0, length_s, step)
    seconds, widths = [], []
    for begin, following in zip(begins, [*begins[1:], begins[-1] + length_s], strict=True):
        seconds += (begin + inside).tolist()
        widths += [step] * len(inside)
        gap = following - begin - length_s
        if gap > 0.0:
            seconds.append(begin + length_s + 0.5 * gap - 0.5)
            widths.append(gap)
    return np.asarray(seconds), np.asarray(widths)


def _log_likelihood(
    begins: Floats, x: Floats, ranges: Floats, deviation: Floats, seconds: Floats, length_s: int, rho: float, floor: float
) -> Floats:
    """Log of the likelihood of each second up to a constant, both lines and the noise integrated out, shape (len(seconds),).

    The row that holds the second weighs less: what flowed behind the second is not the mean of the row.
    """
    rows = len(x)
    scale = max(float(np.std(x)), 1e-9)
    flow = (x - x.mean()) / scale
    follows = np.zeros(rows, np.bool_)
    follows[1:] = np.diff(begins) == length_s
    before = np.flatnonzero(follows) - 1

    def whitened(column: Floats) -> Floats:
        out: Floats = column * np.sqrt(1.0 - rho * rho)
        out[follows] = column[follows] - rho * column[before]
        return out

    held = floor / max(SLOPE_SCALE * scale, 1e-9)
    prior = np.diag([0.0, held, 0.0, held]) ** 2
    level, slope, height = whitened(np.ones(rows)), whitened(flow), whitened(deviation - deviation.mean())

    def tried(weights: Floats) -> tuple[Floats, Floats, Floats]:
        """Log likelihood, squares left and coefficients of a change at each second; `weights` (S, n)."""
        target = weights * height
        fixed = np.stack([level, slope, height], axis=1)
        part = np.stack([weights * step, weights * bend], axis=1)
        squared = weights * weights
        normal = np.empty((len(seconds), 4, 4))
        normal[:, :2, :2] = (squared @ (fixed[:, :2, None] * fixed[:, None, :2]).reshape(rows, 4)).reshape(-1, 2, 2)
        normal[:, 2:, 2:] = part @ part.transpose(0, 2, 1)
        across = (part * weights[:, None, :]) @ fixed
        normal[:, 2:, :2], normal[:, :2, 2:] = across[:, :, :2], across[:, :, :2].transpose(0, 2, 1)
        normal += prior
        along = np.concatenate([squared @ (fixed[:, :2] * height[:, None]), across[:, :, 2]], axis=1)
        sizes, found = _solved(normal, along)
        squares = (target * target).sum(axis=1) - (along * found).sum(axis=1) + rows * floor * floor * LEAST_SHARE
        squares = np.maximum(squares, 1e-300)
        likely = -sizes - 0.5 * (rows - 2) * np.log(squares) + np.log(weights).sum(axis=1)
        return likely, squares, found[int(np.argmax(likely))]

    def whitened_rows(columns: Floats) -> Floats:
        out: Floats = columns * np.sqrt(1.0 - rho * rho)
        out[:, follows] = columns[:, follows] - rho * columns[:, before]
        return out

    behind = np.clip((begins[None, :] + length_s - seconds[:, None]) / length_s, 0.0, 1.0)
    step, bend = whitened_rows(behind), whitened_rows(behind * flow)
    plain, squares, found = tried(np.ones((len(seconds), rows)))
    best = int(np.argmax(plain))
    spread = UNEVEN * np.abs(found[3] / scale) * ranges / np.sqrt(squares[best] / rows)
    holds = (begins[None, :] < seconds[:, None]) & (seconds[:, None] < begins[None, :] + length_s)
    weighed, _, _ = tried(np.where(holds, 1.0 / np.sqrt(1.0 + spread * spread), 1.0))
    out = np.where(holds.any(axis=1), weighed, plain)
    return np.asarray(out - out.max(), np.float64)


def _solved(normal: Floats, along: Floats) -> tuple[Floats, Floats]:
    """Half the logarithm of the determinant and the solution of each set of normal equations, shapes (S,) and (S, k).

    By Cholesky's way, all sets at once; a column that adds nothing to those before it gets no weight.
    """
    sets, k = along.shape
    root, out = np.zeros((sets, k, k)), np.empty((sets, k))
    for j in range(k):
        left = normal[:, j, j] - (root[:, j, :j] ** 2).sum(axis=1)
        root[:, j, j] = np.sqrt(np.maximum(left, np.maximum(DEPENDENT * normal[:, j, j], DEPENDENT * DEPENDENT)))
        for i in range(j + 1, k):
            root[:, i, j] = (normal[:, i, j] - (root[:, i, :j] * root[:, j, :j]).sum(axis=1)) / root[:, j, j]
    for j in range(k):
        out[:, j] = (along[:, j] - (root[:, j, :j] * out[:, :j]).sum(axis=1)) / root[:, j, j]
    for j in range(k - 1, -1, -1):
        out[:, j] = (out[:, j] - (root[:, j + 1 :, j] * out[:, j + 1 :]).sum(axis=1)) / root[:, j, j]
    return np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1), out
