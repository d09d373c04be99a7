"""What a gauge with one constant changed would make of the counts: candidates for a flow that differs from its counts.

Each candidate turns the attenuation A of a row, its speed and its flow into a deviation in t/h; the physics is that of
`checks.physics`: A = ln((n0 - b)/(n - b)), flow = 3.6 C v A. Rows are told by bins of A (and of speed, where that varied).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from checks.finding import UNKNOWN
from checks.hypotheses import UNKNOWN_WEIGHT, Scored
from checks.physics import T_H_PER_KG_S
from config.model import Gauge

Floats = NDArray[np.float64]

BINS = 8
LEAST_IN_BIN = 3
RATE_FLOOR, SPAN_FLOOR = 0.002, 0.0005
"""Systematic part of a rebuilt flow: rounding of rates and constants [parts of the flow], of the flow [parts of span]."""
SPEED_VARIED = 0.05
PRIOR = 0.05
"""Size of an effect that is thought possible beforehand [parts of span]."""
DISCRETE = 0.03
"""How far a constant of the decay may lie off [parts]: half-lives and dates are known to less."""
MOST_DEAD_TIME_S, MOST_BACKGROUND, MOST_SHIFT, MOST_FACTOR = 3e-5, 0.1, 0.7, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Binned:
    """Means of rows of like load (and speed), shape (k,): attenuation [1], t/h per unit of attenuation, deviation and its
    standard error [t/h], speed [m/s]."""

    attenuation: Floats
    per_attenuation: Floats
    deviation: Floats
    error: Floats
    speed: Floats

    @property
    def expected(self) -> Floats:
        """Flow that the counts demand [t/h]."""
        return self.attenuation * self.per_attenuation

    @property
    def size(self) -> float:
        """Largest deviation beyond its expanded uncertainty (k = 2) [t/h]."""
        return float((np.abs(self.deviation) - 2.0 * self.error).max(initial=0.0))


def binned(expected: Floats, deviation: Floats, speed: Floats, gauge: Gauge, span: float) -> Binned:
    """Rows, shape (n,), put together by load; also by speed where that varied by more than 5 %."""
    assert gauge.load_per_attenuation is not None
    per = T_H_PER_KG_S * gauge.load_per_attenuation * speed
    a = expected / per
    order = np.argsort(a, kind="stable")
    k = max(1, min(BINS, len(a) // LEAST_IN_BIN))
    groups = np.array_split(order, k)
    if len(speed) and float(np.ptp(speed)) > SPEED_VARIED * float(speed.mean()):
        middle = 0.5 * float(speed.min() + speed.max())
        groups = [part for group in groups for part in (group[speed[group] < middle], group[speed[group] >= middle])]
    groups = [group for group in groups if len(group) >= min(LEAST_IN_BIN, len(a))] or [order]
    means = np.array([[float(column[group].mean()) for column in (a, per, deviation, speed)] for group in groups])
    noise = np.array([float(deviation[group].std(ddof=1)) if len(group) > 1 else 0.0 for group in groups])
    count = np.array([float(len(group)) for group in groups])
    error = np.sqrt(noise**2 / count + (RATE_FLOOR * means[:, 0] * means[:, 1]) ** 2 + (SPAN_FLOOR * span) ** 2)
    return Binned(attenuation=means[:, 0], per_attenuation=means[:, 1], deviation=means[:, 2], error=error, speed=means[:, 3])


Effect = Callable[[float], Floats]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One cause as a deviation with one size, within `bounds`; `at` fixes the size, so that it is no longer free."""

    cause: str
    effect: Effect
    bounds: tuple[float, float]
    at: float | None = None


def candidates(bins: Binned, gauge: Gauge, net_empty: float, age_decay: float | None) -> list[Candidate]:
    """The candidates for these rows; `net_empty` [1/s] now, `age_decay` = lambda times age since the reference date."""
    per, a, background = bins.per_attenuation, bins.attenuation, gauge.background
    net = net_empty * np.exp(-a)
    observed = (net + background) / (1.0 + (net + background) * gauge.dead_time)
    empty = (net_empty + background) / (1.0 + (net_empty + background) * gauge.dead_time)

    def corrected(rate: Floats | float, dead_time: float) -> Floats:
        return np.asarray(rate / (1.0 - np.minimum(np.asarray(rate) * dead_time, 0.9)), np.float64)

    def shifted(x: float) -> Floats:
        return per * x

    def factor(x: float) -> Floats:
        return x * bins.expected

    def background_off(x: float) -> Floats:
        off = x * net_empty
        return per * (np.log((net_empty - off) / np.maximum(net - off, 1e-3)) - a)

    def dead_time_live(x: float) -> Floats:
        live = np.maximum(corrected(observed, gauge.dead_time + x) - background, 1e-3)
        return per * (math.log(net_empty) - np.log(live) - a)

    def dead_time_both(x: float) -> Floats:
        live = np.maximum(corrected(observed, gauge.dead_time + x) - background, 1e-3)
        top = np.maximum(corrected(empty, gauge.dead_time + x) - background, 1e-3)
        return per * (np.log(top) - np.log(live) - a)

    dead = (-gauge.dead_time, MOST_DEAD_TIME_S)
    out = [
        Candidate(cause="nuclide-or-clock", effect=shifted, bounds=(-MOST_SHIFT, MOST_SHIFT)),
        Candidate(cause="calibration-factor", effect=factor, bounds=(-MOST_FACTOR, MOST_FACTOR)),
        Candidate(cause="background", effect=background_off, bounds=(-MOST_BACKGROUND, MOST_BACKGROUND)),
        Candidate(cause="dead-time", effect=dead_time_live, bounds=dead),
        Candidate(cause="dead-time", effect=dead_time_both, bounds=dead),
        Candidate(cause="undocumented-change", effect=shifted, bounds=(-MOST_SHIFT, MOST_SHIFT)),
    ]
    if age_decay is not None and age_decay > 0.0:
        out.append(Candidate(cause="decay-off", effect=shifted, bounds=(0.0, 1.0), at=age_decay))
        out.append(Candidate(cause="decay-double", effect=shifted, bounds=(-1.0, 0.0), at=-age_decay))
    if float(np.ptp(bins.speed)) > SPEED_VARIED * float(bins.speed.mean()):
        middle = float(bins.speed.mean())

        def fixed(x: float) -> Floats:
            return bins.expected * ((1.0 + x) * middle / bins.speed - 1.0)

        out.append(Candidate(cause="fixed-speed", effect=fixed, bounds=(-0.5, 0.5)))
    return out


def scored(bins: Binned, found: list[Candidate], weights: Mapping[str, float], span: float) -> tuple[Scored, ...]:
    """Posterior probabilities, largest first. A free size costs the log of how many sizes could have been told apart.

    Candidates of one cause share its weight; `unknown` is a free offset with a free factor.
    """
    cost = math.log1p(PRIOR * span / float(bins.error.mean()))
    logs: dict[str, list[float]] = {}
    for candidate in found:
        logs.setdefault(candidate.cause, []).append(_best(bins, candidate) - (cost if candidate.at is None else 0.0))
    free = np.stack([bins.per_attenuation, bins.expected], axis=1) / bins.error[:, None]
    target = bins.deviation / bins.error
    solved, *_ = np.linalg.lstsq(free, target, rcond=None)
    logs[UNKNOWN] = [-0.5 * float(((target - free @ solved) ** 2).sum()) - 2.0 * cost]
    totals = {
        cause: math.log(weight) + float(np.logaddexp.reduce(values)) - math.log(len(values))
        for cause, values in logs.items()
        if (weight := UNKNOWN_WEIGHT if cause == UNKNOWN else weights.get(cause, 0.0)) > 0.0
    }
    top = max(totals.values())
    sizes = {cause: math.exp(value - top) for cause, value in totals.items()}
    whole = sum(sizes.values())
    ranking = [Scored(cause=cause, probability=size / whole) for cause, size in sizes.items()]
    return tuple(sorted(ranking, key=lambda item: -item.probability))


def _best(bins: Binned, candidate: Candidate) -> float:
    """Largest log-likelihood over the size of the effect."""

    def misfit(x: float) -> float:
        return 0.5 * float((((bins.deviation - candidate.effect(x)) / bins.error) ** 2).sum())

    if candidate.at is not None:
        low, high = candidate.at * (1.0 - DISCRETE), candidate.at * (1.0 + DISCRETE)
        return -float(minimize_scalar(misfit, bounds=(min(low, high), max(low, high)), method="bounded").fun)
    return -float(minimize_scalar(misfit, bounds=candidate.bounds, method="bounded", options={"xatol": 1e-9}).fun)
