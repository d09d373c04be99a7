"""From count rate to flow: dead time, decay, attenuation, load, and the noise that counting leaves in them.

The gauge is a ratio meter: A = ln((n0 - b)/(n - b)), load = C A, flow = 3.6 load v. Rates are corrected for dead time
before anything else, n0 and b too. Sources: exponential attenuation and the non-paralysable dead-time model n = m/(1 - m t)
are textbook physics; sigma of a filtered rate is sqrt(n/(2 tau)) ("Statistical analysis of the counting rate meter", 1930s).
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Value = TypeVar("Value", float, Floats)

T_H_PER_KG_S = 3.6
"""1 kg/s is 3.6 t/h."""


def true_rate(observed: Value, dead_time_s: float) -> Value:
    """Count rate without dead-time losses [1/s], of an observed rate [1/s]; infinite where the model saturates, NaN stays."""
    loss = observed * dead_time_s
    with np.errstate(divide="ignore", invalid="ignore"):
        out = np.where(np.asarray(loss) >= 1.0, np.inf, observed / (1.0 - np.minimum(loss, 1.0 - 1e-12)))
    return float(out) if np.ndim(observed) == 0 else out  # type: ignore[return-value]


def empty_rate(reference_gross: float, background: float, decay_constant_s: float, age_s: Value) -> Value:
    """Gross rate of the empty belt [1/s] after `age_s` seconds; the net part decays, the background does not.

    Both rates [1/s] are corrected for dead time.
    """
    decayed = np.exp(-decay_constant_s * np.asarray(age_s, np.float64))
    out = background + (reference_gross - background) * decayed
    return float(out) if np.ndim(age_s) == 0 else out  # type: ignore[return-value]


def attenuation(rate: Floats, empty: Floats | float, background: float) -> Floats:
    """A = ln((n0 - b)/(n - b)) [1], of corrected rates [1/s]; NaN where the rate is at or below background."""
    net = np.asarray(rate, np.float64) - background
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(net > 0.0, np.log((empty - background) / np.where(net > 0.0, net, 1.0)), np.nan)


def flow_t_h(attenuation_: Floats, load_per_attenuation: float, speed: Floats | float) -> Floats:
    """Mass flow [t/h] of an attenuation [1], a load per attenuation C [kg/m] and a belt speed [m/s]."""
    return np.asarray(T_H_PER_KG_S * load_per_attenuation * attenuation_ * speed, np.float64)


def attenuation_of_flow(flow: float, load_per_attenuation: float, speed: float) -> float:
    """Attenuation [1] of a flow [t/h]; NaN where the belt stands."""
    moved = T_H_PER_KG_S * load_per_attenuation * speed
    return flow / moved if moved > 0.0 else math.nan


def flow_noise_t_h(
    flow: float, *, load_per_attenuation: float, speed: float, net_empty: float, background: float, tau_s: float
) -> float:
    """Standard deviation [t/h] that counting alone gives a flow [t/h] behind a time constant [s]; NaN where undefined."""
    if tau_s <= 0.0 or net_empty <= 0.0:
        return math.nan
    net = net_empty * math.exp(-attenuation_of_flow(flow, load_per_attenuation, speed))
    sigma_rate = math.sqrt((net + background) / (2.0 * tau_s))
    return T_H_PER_KG_S * load_per_attenuation * speed * sigma_rate / net


class Filter:
    """First-order filter of time constant `tau_s` [s] at a fixed step; its state makes chunks of any length equal one run.

    A NaN gives NaN and starts the filter anew at the next number; the first `blank_s` [s] behind a start are given as NaN,
    because a filter that starts on one noisy value is not yet the filter of the gauge.
    """

    def __init__(self, tau_s: float, step_s: float, *, blank_s: float = 0.0) -> None:
        self._gain = -math.expm1(-step_s / tau_s) if tau_s > 0.0 else 1.0
        self._level: float | None = None
        self._blank = math.ceil(blank_s / step_s)
        self._left = self._blank

    def __call__(self, values: Floats) -> Floats:
        out = np.full(len(values), np.nan)
        good = np.isfinite(values)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
        if len(values) and (not len(edges) or edges[0] != 0):
            self._restart()
        keep = 1.0 - self._gain
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            level = float(values[first]) if self._level is None else self._level
            piece, _ = lfilter([self._gain], [1.0, -keep], values[first:last], zi=[keep * level])
            out[first:last] = piece
            out[first : min(last, first + self._left)] = np.nan
            self._left = max(0, self._left - int(last - first))
            self._level = float(piece[-1])
            if last < len(values):
                self._restart()
        return out

    def _restart(self) -> None:
        self._level, self._left = None, self._blank
