"""One-sided cumulative sums: how long they run until they cross, exactly, and where they must be cut for a given patience.

S_t = max(0, S_(t-1) + z_t - k), alarm where S_t >= h; z standard normal about `shift`, independent from row to row, so
residuals are whitened first. The mean run length from S_0 = 0 solves

    L(s) = 1 + L(0) P(k - s - shift) + integral_0^h L(y) p(y + k - s - shift) dy       (P, p of the standard normal)

(Page 1954), here on Gauss-Legendre nodes. Rows are counted with the alarming one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

Floats = NDArray[np.float64]

ROOT_TWO_PI = float(np.sqrt(2.0 * np.pi))
NODES_PER_SIGMA = 8
LEAST_NODES = 48
LONGEST = 1e13


def run_length(shift: float, allowance: float, level: float, start: float = 0.0) -> float:
    """Mean number of rows until the sum crosses `level`, all in standard deviations of a row; `start` is the head start S_0.

    With `shift` 0 the mean time between false alarms, with the shift that is to be found the mean delay. Relative error
    below 1e-6 for run lengths up to 1e10; beyond LONGEST rows it is infinite, for the equation no longer carries the digits.
    """
    if not level > 0.0:
        return 1.0 / float(ndtr(shift - allowance)) if ndtr(shift - allowance) > 1.0 / LONGEST else float("inf")
    size = max(LEAST_NODES, int(NODES_PER_SIGMA * level))
    nodes, weights = np.polynomial.legendre.leggauss(size)
    y, w = 0.5 * level * (nodes + 1.0), 0.5 * level * weights

    def density(z: Floats) -> Floats:
        return np.asarray(np.exp(-0.5 * z * z) / ROOT_TWO_PI, np.float64)

    # unknowns: L at zero, then L at the nodes
    at = np.concatenate([[0.0], y])
    matrix = np.empty((size + 1, size + 1))
    matrix[:, 0] = ndtr(allowance - at - shift)
    matrix[:, 1:] = w * density(y[None, :] + allowance - at[:, None] - shift)
    try:
        found = np.linalg.solve(np.eye(size + 1) - matrix, np.ones(size + 1))
    except np.linalg.LinAlgError:
        return float("inf")
    ahead = w * density(y + allowance - start - shift)
    rows = float(1.0 + found[0] * ndtr(allowance - start - shift) + ahead @ found[1:])
    return rows if 1.0 <= rows < LONGEST else float("inf")


def level_for(allowance: float, rows: float) -> float:
    """The level at which a sum without any shift runs `rows` rows on average (one-sided); 0 where any level runs longer.

    `rows` at most LONGEST / 1000.
    """
    if run_length(0.0, allowance, 0.0) >= rows:
        return 0.0
    high = 0.5
    while run_length(0.0, allowance, high) < rows:
        high *= 1.5

    def over(level: float) -> float:
        return float(np.log(min(run_length(0.0, allowance, level), LONGEST) / rows))

    return float(brentq(over, high / 1.5 if high > 0.5 else 1e-9, high, xtol=1e-9))


def sums(z: Floats, allowance: float) -> Floats:
    """The one-sided sum after each row, shape (n,); a NaN row leaves it as it is."""
    step = np.where(np.isfinite(z), z - allowance, 0.0)
    walk = np.cumsum(step)
    least: Floats = np.minimum.accumulate(np.minimum(walk, 0.0))
    return np.asarray(walk - least, np.float64)
