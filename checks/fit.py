"""Straight lines with honest errors: least squares by QR, and generalised least squares for residuals that follow AR(1)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LARGEST_RHO = 0.98


@dataclass(frozen=True, slots=True, kw_only=True)
class Regression:
    """Coefficients of y = X b with their covariance, in the units of y and X.

    `rss` is the residual sum of squares (of the whitened rows where the fit was whitened), `sigma` the residual standard
    deviation of the whitened rows, `rho` the lag-one correlation that was taken out (0 for plain least squares).
    """

    coefficients: Floats
    covariance: Floats
    rss: float
    sigma: float
    rows: int
    rho: float = 0.0

    @property
    def bic(self) -> float:
        """Bayes information criterion with Gaussian residuals; smaller is better, differences of 2 ln(odds)."""
        size = max(self.rss / self.rows, 1e-300)
        return float(self.rows * np.log(size) + len(self.coefficients) * np.log(self.rows))


def least_squares(design: Floats, y: Floats) -> Regression:
    """Least squares by QR. `design` shape (n, k), `y` shape (n,), n > k, no NaN.

    Raises numpy.linalg.LinAlgError where the columns are not independent.
    """
    rows, columns = design.shape
    whole = np.asarray(np.linalg.qr(np.concatenate([design.T, y[None, :]]).T, mode="r"), np.float64)
    r = whole[:columns, :columns]
    diagonal = np.abs(r.diagonal())
    if rows <= columns or diagonal.min() <= 1e-11 * diagonal.max():
        raise np.linalg.LinAlgError("columns are not independent")
    inverse = np.linalg.inv(r)
    coefficients = inverse @ whole[:columns, columns]
    residual = y - design @ coefficients
    rss = float(residual @ residual)
    variance = rss / (rows - columns)
    return Regression(
        coefficients=coefficients,
        covariance=variance * (inverse @ inverse.T),
        rss=rss,
        sigma=float(np.sqrt(variance)),
        rows=rows,
    )


def lag_one(values: Floats, follows: Bools) -> float:
    """Lag-one correlation of `values` over the rows that directly follow their predecessor, bias taken out, in 0..0.98.

    `follows[i]` is True where row i is the next in time after row i - 1. The small-sample bias of a correlation is
    -(1 + 3 rho)/n (Kendall 1954, Marriott and Pope 1954; from memory).
    """
    later = np.flatnonzero(follows[1:]) + 1
    if len(later) < 8:
        return 0.0
    centred = values - values.mean()
    spread = float(centred @ centred) / len(values)
    if spread <= 0.0:
        return 0.0
    raw = float(centred[later] @ centred[later - 1]) / len(later) / spread
    return float(np.clip(raw + (1.0 + 3.0 * raw) / len(later), 0.0, LARGEST_RHO))


def whiten(columns: Floats, follows: Bools, rho: float) -> Floats:
    """Quasi-differences of the rows: x_t - rho x_(t-1), and sqrt(1 - rho^2) x_t where no predecessor is there."""
    out: Floats = np.asarray(columns * np.sqrt(1.0 - rho * rho), np.float64)
    later = np.flatnonzero(follows[1:]) + 1
    out[later] = columns[later] - rho * columns[later - 1]
    return out


def whitened_least_squares(design: Floats, y: Floats, follows: Bools, *, rounds: int = 2) -> Regression:
    """Generalised least squares with AR(1) residuals (Prais-Winsten), rho estimated from the residual with its bias taken out.

    Same errors as `least_squares`. With AR(1) residuals the stated standard errors hold to a few per cent from n = 40 on.
    """
    fit = least_squares(design, y)
    rho = 0.0
    for _ in range(rounds):
        rho = lag_one(y - design @ fit.coefficients, follows)
        if rho < 0.02:
            return fit
        fit = least_squares(whiten(design, follows, rho), whiten(y, follows, rho))
    return Regression(
        coefficients=fit.coefficients,
        covariance=fit.covariance,
        rss=fit.rss,
        sigma=fit.sigma,
        rows=fit.rows,
        rho=rho,
    )


def effective_rows(rows: int, rho: float, rho_x: float = 1.0) -> float:
    """Rows that count: n (1 - rho rho_x)/(1 + rho rho_x); `rho_x` 1 for a mean, the load's own correlation for a slope."""
    product = rho * rho_x
    return rows * (1.0 - product) / (1.0 + product)
