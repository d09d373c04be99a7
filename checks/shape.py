"""Is it a line at all: curvature, a ceiling, a power law, tested before any pivot is read."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from checks.fit import Bools, least_squares, whiten, whitened_least_squares

Floats = NDArray[np.float64]

LINE, QUADRATIC, HINGE, POWER = 0, 1, 2, 3
MODELS = ("line", "quadratic", "ceiling", "power")
DECISIVE = 10.0
"""Lead in BIC that a bent model needs over the line."""
LEAST_SPREAD = 1e-4
"""Spread of the load [parts of span] below which nothing can be said of a shape."""
CURVED = 4.0
"""|t| of the quadratic term above which no pivot is read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """The chosen model. `knot` is the x above which y stays at `ceiling` (NaN unless a hinge), `exponent` that of
    (y - lo)/S = ((x - lo)/S)^exponent (NaN unless a power), `curvature_t` the t value of the quadratic term, `lead` the
    lead in BIC over the line (0 for the line)."""

    model: int
    lead: float
    curvature_t: float
    knot: float = float("nan")
    ceiling: float = float("nan")
    exponent: float = float("nan")
    left: float = float("nan")
    """Median distance of the rows from a power, or of the rows above the knot from the ceiling [t/h]."""


class Score(Protocol):
    """BIC of a design on whitened rows, its coefficients, and the t value of the last one."""

    def __call__(self, design: Floats, fixed: Floats | None = None, free: int | None = None) -> tuple[float, Floats, float]:
        """Score `design` for y less `fixed`; `free` parameters where that is not the number of columns."""
        ...


NEAR_ZERO = 0.05
"""Load [parts of span] below which a root is too steep to be seen through the mean of a row."""
LEAST_ROWS = 12
NEARLY = 0.7
"""Part of the lead of a plain bend at which a mechanism is preferred to it."""


def choose(x: Floats, y: Floats, follows: Bools, low: float, high: float) -> Shape:
    """Pick line, quadratic, hinge or power by BIC on rows whitened with the line's residual correlation.

    x, y in t/h, shape (n,), n >= 12 (a load without spread, or with one that no number can carry, is a line); `low`, `high` the range of the scale. x is the delayed and filtered flow.
    """
    try:
        return _chosen(x, y, follows, low, high)
    except np.linalg.LinAlgError:  # a number that was misread lies so far beyond the others that it leaves no digits to them
        return Shape(model=LINE, lead=0.0, curvature_t=0.0)


def _chosen(x: Floats, y: Floats, follows: Bools, low: float, high: float) -> Shape:
    ones = np.ones(len(x))
    span = high - low
    u = (x - low) / span
    if u.max() - u.min() < LEAST_SPREAD:
        return Shape(model=LINE, lead=0.0, curvature_t=0.0)
    line_design = np.stack([ones, u], axis=1)
    line = whitened_least_squares(line_design, y, follows)
    rho = line.rho
    white_y = whiten(y, follows, rho)

    def bic(design: Floats, fixed: Floats | None = None, free: int | None = None) -> tuple[float, Floats, float]:
        target = white_y if fixed is None else whiten(y - fixed, follows, rho)
        fit = least_squares(whiten(design, follows, rho), target)
        columns = design.shape[1] if free is None else free
        score = fit.rows * float(np.log(max(fit.rss / fit.rows, 1e-300))) + columns * float(np.log(fit.rows))
        last = float(fit.coefficients[-1] / max(np.sqrt(fit.covariance[-1, -1]), 1e-300))
        return score, fit.coefficients, last

    base, _, _ = bic(line_design)
    candidates: list[tuple[float, Shape]] = []
    curvature = 0.0
    score: float
    if u.max() - u.min() > 0.05:
        centre = u - u.mean()
        score, _, curvature = bic(np.stack([ones, u, centre * centre], axis=1))
        candidates.append((score, Shape(model=QUADRATIC, lead=base - score, curvature_t=curvature)))
        candidates += _hinges(u, y, bic, base, curvature, low, span)
        candidates += _powers(u, y, bic, base, curvature, low, span)
    best = min(candidates, key=lambda item: item[0], default=None)
    if best is None or base - best[0] < DECISIVE:
        return Shape(model=LINE, lead=0.0, curvature_t=curvature)
    if best[1].model == QUADRATIC:  # a bend without a mechanism gives way to one that explains nearly as much
        mechanisms = [shape for _, shape in candidates if shape.model != QUADRATIC and shape.lead > NEARLY * best[1].lead]
        root = None if mechanisms else _power_above(x, y, follows, low, high)
        return root or _with_left(max(mechanisms, key=lambda shape: shape.lead, default=best[1]), x, y, low, span)
    return _with_left(best[1], x, y, low, span)


def _power_above(x: Floats, y: Floats, follows: Bools, low: float, high: float) -> Shape | None:
    """The power that the rows under load show; None where they show none. A root is steep at zero: what the noise of an empty
    belt and a ramp through it make of a mean is no mean of roots."""
    rows = np.flatnonzero(x > low + NEAR_ZERO * (high - low))
    if not LEAST_ROWS <= len(rows) < len(x):
        return None
    adjacent = follows[rows] & (np.diff(rows, prepend=-2) == 1)
    found = choose(x[rows], y[rows], adjacent, low, high)
    return found if found.model == POWER else None


def _with_left(shape: Shape, x: Floats, y: Floats, low: float, span: float) -> Shape:
    if shape.model == HINGE and (x > shape.knot).any():
        return replace(shape, left=float(np.median(np.abs(y - shape.ceiling)[x > shape.knot])))
    if shape.model == POWER:
        u = (x - low) / span
        return replace(shape, left=float(np.median(np.abs(y - low - span * np.sign(u) * np.abs(u) ** shape.exponent))))
    return shape


def _hinges(
    u: Floats, y: Floats, bic: Score, base: float, curvature: float, low: float, span: float
) -> list[tuple[float, Shape]]:
    knots = np.unique(np.quantile(u, [0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95]))
    best = None
    for _ in range(2):
        scored = []
        for knot in knots:
            above = u > knot
            if above.sum() < 4 or (~above).sum() < 6:
                continue
            score, found, _ = bic(np.stack([np.ones(len(u)), np.minimum(u, knot)], axis=1), free=3)
            scored.append((score, float(knot), float(found[0] + found[1] * knot)))
        if not scored:
            break
        best = min(scored)
        step = 0.5 * float(np.diff(knots).max()) if len(knots) > 1 else 0.02
        knots = best[1] + np.linspace(-step, step, 9)
    if best is None:
        return []
    score, knot, ceiling = best
    shape = Shape(model=HINGE, lead=base - score, curvature_t=curvature, knot=low + span * knot, ceiling=ceiling)
    return [(score, shape)]


def _powers(
    u: Floats, y: Floats, bic: Score, base: float, curvature: float, low: float, span: float
) -> list[tuple[float, Shape]]:
    v = (y - low) / span
    inside = (u > NEAR_ZERO) & (v > 0.01)
    if inside.sum() < 8 or np.ptp(np.log(u[inside])) < 0.1:
        return []
    logs = np.log(u[inside])
    free = float(logs @ np.log(v[inside]) / (logs @ logs)) if float(logs @ logs) > 0 else 1.0
    out = []
    for exponent in (0.5, 2.0, free):
        if not 0.2 < exponent < 3.0 or abs(exponent - 1.0) < 0.1:
            continue
        bent = low + span * np.sign(u) * np.abs(u) ** exponent
        score, _, _ = bic(np.ones((len(u), 1)), fixed=bent, free=1 if exponent in (0.5, 2.0) else 2)
        shape = Shape(model=POWER, lead=base - score, curvature_t=curvature, exponent=exponent)
        out.append((score, shape))
    return out
