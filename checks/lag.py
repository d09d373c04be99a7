"""How far one station lags behind another, and the line behind that lag: the distributed-lag fit on block rows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from checks.fit import Bools, Regression, whitened_least_squares
from checks.lines import Rows

Floats = NDArray[np.float64]

LEAST_ROWS = 24
"""Rows that a fit needs beyond its columns."""
DEEP = 12
"""Lags beyond which a fit takes half of them, for the cost grows with their square."""
REMEMBERS = 0.5
"""Residual correlation above which a fit that lacks lags is not to be trusted."""
MOST_ROWS = 1440
"""Rows that a fit takes; older rows are thinned evenly."""


def coarse_lag(x: Floats, y: Floats, *, step_s: float, earliest_s: float = -5.0, latest_s: float = 90.0) -> float | None:
    """Lag of y behind x [s] from the cross-correlation of first differences of samples; None where none stands out.

    NaN rows are left out. The noise that both carry decides, so a steady load suffices.
    """
    dx, dy = np.diff(x), np.diff(y)
    usable = np.isfinite(dx) & np.isfinite(dy)
    if usable.sum() < 120:
        return None
    dx, dy = np.where(usable, dx - dx[usable].mean(), 0.0), np.where(usable, dy - dy[usable].mean(), 0.0)
    norm = float(np.sqrt((dx @ dx) * (dy @ dy)))
    if norm <= 0.0:
        return None
    size = len(dx)
    earliest, latest = max(int(earliest_s / step_s), 1 - size // 2), min(int(latest_s / step_s), size // 2 - 1)
    scores = np.correlate(np.concatenate([np.zeros(-earliest), dy, np.zeros(latest)]), dx, mode="valid") / norm
    best = int(np.argmax(scores))
    if scores[best] < 4.0 / np.sqrt(size):
        return None
    return float((earliest + best) * step_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kernel:
    """How y follows x with unit gain: y_t = sum_j weights[j] x_(t-j) + change * dx_t; `uncertainty_s` of its mean lag.

    dx is the last less the first sample of a row, which lie `change_s` [s] apart.
    """

    weights: Floats
    change: float
    length_s: int
    uncertainty_s: float
    change_s: float = 0.0
    learnt: bool = False
    """Whether it comes from a fit: then its shape is known, and what may have changed since is when samples are taken."""

    @property
    def lag_s(self) -> float:
        """Mean lag [s]: that of the weights, and what the net change adds (minus its coefficient times the time it spans)."""
        return float(self.length_s * (np.arange(len(self.weights)) @ self.weights) - self.change_s * self.change)

    def follow(self, x: Floats, dx: Floats) -> Floats:
        """x as it should arrive, shape (n,); NaN where the history is not there."""
        out = np.full(len(x), np.nan)
        m = len(self.weights) - 1
        if len(x) > m:
            out[m:] = np.convolve(x, self.weights, mode="valid") + self.change * dx[m:]
        return out

    def history(self, usable: Bools, follows: Bools) -> Bools:
        """Rows whose whole history is usable and without a gap."""
        return history(usable, follows, len(self.weights) - 1)


def history(usable: Bools, follows: Bools, m: int) -> Bools:
    """Rows that are usable like the m rows before them, all adjacent."""
    if not m:
        return usable.copy()
    sound = usable.copy()
    sound[1:] &= follows[1:]
    broken = np.cumsum(~sound)
    out = np.zeros(len(usable), np.bool_)
    out[m:] = broken[m:] == broken[:-m]
    out[m:] &= usable[:-m]
    return out


def declared_kernel(length_s: int, delay_s: float, filter_s: float, uncertainty_s: float) -> Kernel:
    """Kernel of a pure delay and a first-order filter, on means of blocks (second differences of the ramp response)."""
    delay = max(delay_s, 0.0)
    m = max(2, int(np.ceil((delay + 5.0 * filter_s) / length_s)))
    t = (np.arange(-1, m + 2)) * float(length_s) - delay
    late = np.maximum(t, 0.0)
    ramp = late - filter_s * -np.expm1(-late / filter_s) if filter_s > 0.0 else late
    weights = (ramp[2:] - 2.0 * ramp[1:-1] + ramp[:-2]) / length_s
    return Kernel(weights=weights / weights.sum(), change=0.0, length_s=length_s, uncertainty_s=uncertainty_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class LagFit:
    """The line y = O + G x behind a distributed lag: statistical covariance of (O, G - 1), lag, kernel, row statistics."""

    offset: float
    gain: float
    covariance: Floats
    kernel: Kernel
    regression: Regression
    rows: NDArray[np.intp]
    x_low: float
    x_high: float
    x_mean: float
    x_sd: float
    rho_x: float
    complete: bool = True
    """Whether the lags taken are enough: else the residual remembers the load, more lags would be needed, and rows lack."""

    @property
    def spread(self) -> float:
        """Standard deviation of a row about the line [t/h]."""
        return self.regression.sigma / float(np.sqrt(1.0 - self.regression.rho**2))


def pick(candidates: Bools, most: int = MOST_ROWS) -> NDArray[np.intp]:
    """Indices of at most `most` rows: the newer half all, the older ones thinned evenly."""
    index = np.flatnonzero(candidates)
    if len(index) <= most:
        return index
    recent = index[-most // 2 :]
    older = index[: -most // 2]
    chosen = older[np.linspace(0, len(older) - 1, most // 2).astype(np.intp)]
    return np.concatenate([chosen, recent])


def fit_lag(rows: Rows, usable: Bools, clean_x: Bools, m: int, begin: int = 0) -> LagFit | None:
    """Fit y_t = O + G x_t + sum_j h_j (x_(t-j) - x_t) + c dx_t on the usable rows from `begin` on; None where they do not do.

    `usable` rows carry the answer, `clean_x` rows may stand in their history. AR(1) errors are taken into account.
    """
    ready = usable & history(clean_x, rows.follows, m)
    ready[: begin + m if begin else 0] = False
    index = pick(ready, MOST_ROWS if m <= DEEP else MOST_ROWS // 2)
    if len(index) < LEAST_ROWS + m:
        return None
    x = rows.x[index]
    columns = [np.ones(len(index)), x, *[rows.x[index - j] - x for j in range(1, m + 1)], rows.dx[index]]
    follows = np.zeros(len(index), np.bool_)
    follows[1:] = (np.diff(index) == 1) & rows.follows[index[1:]]
    design = np.stack(columns)
    keep = np.ptp(design, axis=1) > 1e-9
    keep[0] = True
    if not keep[1]:
        return None
    try:
        found = whitened_least_squares(design[keep].T, rows.y[index], follows)
    except np.linalg.LinAlgError:
        return None
    full = np.zeros(len(design))
    full[keep] = found.coefficients
    gain = float(full[1])
    h = full[2 : 2 + m]
    scale = gain if abs(gain) > 1e-3 else 1.0
    weights = np.concatenate([[gain - h.sum()], h]) / scale
    centred = x - x.mean()
    later = np.flatnonzero(follows[1:]) + 1
    rho_x = (
        float(centred[later] @ centred[later - 1] / max(centred[later - 1] @ centred[later - 1], 1e-12)) if len(later) else 0.0
    )
    kernel = Kernel(
        weights=weights, change=float(full[-1]) / scale, length_s=rows.length_s, uncertainty_s=1.0,
        change_s=float(rows.length_s - rows.step_s), learnt=True,
    )  # fmt: skip
    return LagFit(
        offset=float(full[0]), gain=gain, covariance=found.covariance[:2, :2], kernel=kernel, regression=found, rows=index,
        x_low=float(x.min()), x_high=float(x.max()), x_mean=float(x.mean()), x_sd=float(x.std()),
        rho_x=min(max(rho_x, 0.0), 0.98),
    )  # fmt: skip


def fit_deep_enough(
    rows: Rows,
    usable: Bools,
    clean_x: Bools,
    m: int,
    begin: int = 0,
    *,
    depths: tuple[int, ...] = (12, 48),
    least_sigma: float = 0.0,
) -> LagFit | None:
    """`fit_lag`, with more lags where an unseen filter needs them: while the residual keeps a memory above `least_sigma`."""
    fit = fit_lag(rows, usable, clean_x, m, begin)
    for depth in depths:
        if fit is None or fit.spread < least_sigma:
            break
        if depth <= m or not (fit.regression.rho > 0.3 or _remembers(rows, clean_x, fit)):
            continue
        deeper = fit_lag(rows, usable, clean_x, depth, begin)
        if deeper is None:
            fit = replace(fit, complete=fit.regression.rho <= REMEMBERS)
            break
        if deeper.regression.sigma < 0.9 * fit.regression.sigma:
            fit = deeper
    return fit


def _remembers(rows: Rows, clean_x: Bools, fit: LagFit) -> bool:
    """Whether the residual of a fit is correlated (4 sigma) with the flow of the two minutes before its last lag."""
    m = len(fit.kernel.weights) - 1
    deep = 12
    total = np.cumsum(np.where(clean_x, rows.x, 0.0))
    known = np.cumsum(clean_x & rows.follows)
    index = fit.rows[fit.rows > m + deep]
    index = index[known[index] - known[index - m - deep] == m + deep]
    if len(index) < LEAST_ROWS:
        return False
    far = (total[index - m - 1] - total[index - m - 1 - deep]) / deep - rows.x[index]
    expected = fit.offset + fit.gain * fit.kernel.follow(rows.x, rows.dx)[index]
    residual = rows.y[index] - expected
    far, residual = far - far.mean(), residual - residual.mean()
    size = float(np.sqrt((far @ far) * (residual @ residual)))
    return size > 0.0 and abs(float(far @ residual)) / size * float(np.sqrt(len(index))) > 4.0
