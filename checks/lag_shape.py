"""Is what comes late behind a filter or behind a moving average? Both have no steady error; they end differently.

A first-order filter has a tail, a moving average ends hard. Each is laid over the samples with unit gain and one length;
what is left tells them apart, and tells both from a line that is off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from checks.lag_screen import Screen
from checks.lines import Line
from checks.window import Window

Floats = NDArray[np.float64]

LENGTHS_S = (1800, 600, 240, 6000)
"""Stretches that are tried [s]: shorter ones where a lag is new, a long one where the load has not moved for long."""
WARM_S, NEWEST_S = 900, (300, 600, 1200)
LAGS_S = tuple(float(value) for value in np.geomspace(12.0, 200.0, 15))
FINE = tuple(float(value) for value in np.linspace(0.86, 1.16, 7))
DELAYS_S = (0, 1, 2, 3, 5)
PLAIN_S, PLAIN = 40, 0.002
"""Longest plain delay that is tried [s], and what it may leave [parts of span] on a sound line."""
LEAST_SPREAD = 0.03
"""Standard deviation of the load from which a lag shows its shape [parts of span]."""
EXPLAINS, CLEAN = 0.35, 0.012
"""Left over against what a plain delay leaves; left over at most [parts of span]."""
APART = 0.6
"""One shape wins where it leaves less than this part of what the other leaves."""
EXTRA_S = 12.0
FILTER, AVERAGE, EITHER = "extra-filter", "averaging-differs", ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Late:
    """What explains a late signal: a cause, or "" where both shapes do alike; its mean lag [s] and what each leaves [t/h]."""

    cause: str
    lag_s: float
    filter_left: float
    average_left: float
    plain_left: float


SOUND = Late(cause=EITHER, lag_s=0.0, filter_left=0.0, average_left=0.0, plain_left=0.0)
"""A plain delay explains all."""


def late_by(window: Window, line: Line) -> Late | None:
    """How the far station of a line comes late, by the newest samples; None where no filter of unit gain explains it."""
    step, stations = window.samples.step_s, _stations(window, line, LENGTHS_S)
    if stations is None:
        return None
    x, y = stations
    declared = window.loop.plc.filter if line.y_role == "plc_flow" else 0.0
    screen = Screen(x, _filtered(x, declared, step), y, step, line.span)
    for length in LENGTHS_S:
        count = length // step
        if count > len(x):
            continue
        if float(x[-count:].std()) < LEAST_SPREAD * line.span:
            continue
        found = _shape(screen, count, declared)
        if found is SOUND:
            return None
        if found is not None:
            return found
    return None


def _stations(window: Window, line: Line, lengths_s: tuple[int, ...]) -> tuple[Floats, Floats] | None:
    """Both stations of a line in t/h over the longest of some stretches and the time to warm up; None where they are shorter
    than the shortest, or a fiftieth of the samples is missing."""
    step = window.samples.step_s
    newest = slice(-((max(lengths_s) + WARM_S) // step), None)
    x = window.samples.column(line.x_role)[newest] * line.x.gain + line.x.offset
    y = window.samples.column(line.y_role)[newest] * line.y.gain + line.y.offset
    good = np.isfinite(x) & np.isfinite(y)
    if len(x) < min(lengths_s) // step or good.mean() < 0.98:
        return None
    return (x, y) if good.all() else (_filled(x), _filled(y))


def _within_limits(window: Window, line: Line, x: Floats, y: Floats) -> NDArray[np.bool_]:
    """Samples that no declared cut-off, clamp or end of the range may have touched."""
    cut = max(window.loop.gauge.low_cutoff, window.loop.plc.low_cutoff, 0.0)
    if window.loop.plc.clamp_at_zero or cut > 0.0:
        cut += 0.02 * line.span
    return np.asarray((x < line.high) & (y < line.high) & ((x > line.low + cut) | (cut <= 0.0)))


def agrees_now(window: Window, line: Line) -> bool:
    """Whether a plain delay explains the newest minutes of a line under a load that moved; False where that cannot be said."""
    step, stations = window.samples.step_s, _stations(window, line, NEWEST_S)
    if stations is None:
        return False
    x, y = stations
    base = _filtered(x, window.loop.plc.filter if line.y_role == "plc_flow" else 0.0, step)
    inside = _within_limits(window, line, x, y)
    for length in NEWEST_S:
        count = length // step
        here = inside[-count:]
        if count > len(x) or here.mean() < 0.5 or float(x[-count:][here].std()) < LEAST_SPREAD * line.span:
            continue
        left = (y[-count:] - _delayed(base, delay // step)[-count:] for delay in range(0, PLAIN_S + 1, max(2, step)))
        if min(float(np.sqrt(np.mean(difference[here] ** 2))) for difference in left) < PLAIN * line.span:
            return True
    return False


def _shape(screen: Screen, count: int, declared: float) -> Late | None:
    x, base, y, step, span = screen.x, screen.base, screen.y, screen.step, screen.span
    near, delay = screen.plain(count, range(0, PLAIN_S // step + 1, max(2 // step, 1)))
    if near < 0.99 * PLAIN * span:
        return SOUND
    if near > 1.01 * PLAIN * span and not screen.may_be_late(count, min(EXPLAINS * near, CLEAN * span)):
        return None
    plain = _left(_delayed(base, delay), y, count)
    if plain < PLAIN * span:
        return SOUND
    by_filter = _best(lambda lag: _filtered(x, lag, step), y, count, step)
    by_average = _best(lambda lag: _averaged(base, 2.0 * lag, step), y, count, step)
    left, lag = min(by_filter, by_average)
    if left > EXPLAINS * plain or left > CLEAN * span or lag - declared < EXTRA_S:
        return None
    cause = EITHER
    if by_filter[0] < APART * by_average[0]:
        cause = FILTER
    elif by_average[0] < APART * by_filter[0]:
        cause = AVERAGE
    return Late(cause=cause, lag_s=lag, filter_left=by_filter[0], average_left=by_average[0], plain_left=plain)


def _best(shape: Callable[[float], Floats], y: Floats, count: int, step: int) -> tuple[float, float]:
    """Least that is left, and the lag at which."""

    def least(lags: tuple[float, ...]) -> tuple[float, float]:
        out = (np.inf, 0.0)
        for lag in lags:
            late = shape(lag)
            for delay in DELAYS_S:
                left = _left(_delayed(late, delay // step), y, count)
                if left < out[0]:
                    out = (left, lag)
        return out

    coarse = least(LAGS_S)
    return min(coarse, least(tuple(coarse[1] * part for part in FINE)))


def _left(late: Floats, y: Floats, count: int) -> float:
    difference = y[-count:] - late[-count:]
    return float(np.sqrt(np.mean(difference * difference)))


def _filtered(x: Floats, tau: float, step: int) -> Floats:
    if tau <= 0.0:
        return x
    gain = -np.expm1(-step / tau)
    y, _ = lfilter([gain], [1.0, gain - 1.0], x, zi=[(1.0 - gain) * x[0]])
    return np.asarray(y, np.float64)


def _averaged(x: Floats, length: float, step: int) -> Floats:
    count = max(1, round(length / step))
    total = np.cumsum(np.concatenate([np.full(count, x[0]), x]))
    return np.asarray((total[count:] - total[:-count]) / count, np.float64)


def _delayed(x: Floats, rows: int) -> Floats:
    return np.concatenate([np.full(rows, x[0]), x[: len(x) - rows]]) if rows else x


def _filled(values: Floats) -> Floats:
    """The last good value stands for a missing one."""
    good = np.isfinite(values)
    index = np.maximum.accumulate(np.where(good, np.arange(len(values)), 0))
    return np.asarray(np.where(np.isfinite(values[index]), values[index], values[good][0] if good.any() else 0.0), np.float64)
