"""Which cause draws this line: discrete hypotheses against the fitted line, by Gaussian marginal likelihoods.

A line is told by its deviations at both ends of the scale, e = (at 4 mA, at 20 mA) in % of span. A hypothesis is a point in
that plane (a constant of the trade), a direction with a prior on its size (a pivot), or the whole plane (no mechanism).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import erf, exp, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from checks.causes import registry
from checks.finding import UNKNOWN
from checks.lines import Line
from checks.result import Link
from config.model import Loop

Floats = NDArray[np.float64]

TONS = (1.10231, 0.98421, 0.90718, 1.01605, 1.12, 0.8929)
"""Short, long and metric ton against each other (pound avoirdupois 0.45359237 kg)."""
BASES = (3.6, 1 / 3.6, 60.0, 1 / 60.0, 1000.0, 0.001, 10.0, 0.1, 100.0, 0.01)
RAW_SPANS = (27648.0, 32767.0, 32000.0, 30000.0, 20000.0, 65535.0, 4095.0, 10000.0)
"""Raw counts at full scale that cards and blocks commonly use (common practice, no source)."""
LOADS_OHM = (250.0, 350.0, 450.0, 600.0)
"""Resistance of whole loops: what a leak across a two-wire transmitter pivots at is supply over load."""
SIZES = ((0.7, 2.0), (0.3, 20.0))
"""Prior on the size of an effect [% of span]: half-normal, mostly small; ranges are also moved in large steps."""
UNKNOWN_WEIGHT = 0.5
ZERO_TRIM = 0.2
"""How often a trim shifts the zero of an output, against its span (own estimate, no source): the same line as a stray offset."""
MOST_ODDS = 49.0
"""Odds are told up to what a count of answers supports: of 367 given at 19:1 or more on drawn sites 365 were right, so that at
least 98.0 % are (exact binomial, 95 %; `tests/bench/diagnosis.py`, drawn sites 0 to 5 and 21 to 23)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A fitted line: offset [t/h], gain = G - 1, their covariance (statistical and systematic)."""

    offset: float
    gain: float
    covariance: Floats

    def ends(self, line: Line) -> tuple[Floats, Floats]:
        """Deviation at both ends of the scale [% of span] and its covariance."""
        to_ends = np.array([[1.0, line.low], [1.0, line.high]]) * 100.0 / line.span
        return to_ends @ np.array([self.offset, self.gain]), to_ends @ self.covariance @ to_ends.T


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """A cause with its posterior probability among the hypotheses."""

    cause: str
    probability: float

    @property
    def odds(self) -> float:
        """Odds against all others, capped at what the calibration supports."""
        return min(self.probability / max(1.0 - self.probability, 1e-9), MOST_ODDS)


def _density(e: Floats, mean: Floats, covariance: Floats) -> float:
    difference = e - mean
    determinant = float(covariance[0, 0] * covariance[1, 1] - covariance[0, 1] ** 2)
    solved = np.linalg.solve(covariance, difference)
    return exp(-0.5 * min(float(difference @ solved), 1400.0)) / (2.0 * pi * sqrt(max(determinant, 1e-300)))


def _points(e: Floats, v: Floats, points: Sequence[tuple[float, float]]) -> float:
    return sum(_density(e, np.array(point), v) for point in points) / len(points)


def _direction(e: Floats, v: Floats, direction: tuple[float, float], sign: int = 0) -> float:
    """Marginal likelihood of e = u * direction; `sign` +1/-1 allows only that sign of u (half-normal), 0 both."""
    d = np.array(direction)
    total = 0.0
    for share, size in SIZES:
        covariance = v + size * size * np.outer(d, d)
        value = _density(e, np.zeros(2), covariance)
        if sign:
            solved = np.linalg.solve(v, d)
            precision = float(d @ solved) + 1.0 / size**2
            z = sign * float(solved @ e) / sqrt(precision)
            value *= 1.0 + erf(z / sqrt(2.0))
        total += share * value
    return total


def _plane(e: Floats, v: Floats) -> float:
    return sum(share * _density(e, np.zeros(2), v + size * size * np.eye(2)) for share, size in SIZES)


def _pivot(line: Line, flow: float) -> tuple[float, float]:
    """Direction of a line that crosses identity at `flow`, scaled to 1 at the end that moves most."""
    ends = np.array([line.low - flow, line.high - flow])
    ends /= np.abs(ends).max()
    return float(ends[0]), float(ends[1])


def _factor(line: Line, factor: float) -> tuple[float, float]:
    return (factor - 1.0) * line.low * 100.0 / line.span, (factor - 1.0) * line.high * 100.0 / line.span


Likelihood = Callable[[Floats, Floats], float]


def _models(line: Line, loop: Loop, output_agrees: bool) -> dict[str, Likelihood]:
    below = line.low - 0.25 * line.span
    raw = loop.plc.raw_span
    inward = [
        _pivot(line, line.low + (1000.0 * loop.plc.supply_voltage / ohm - 4.0) / 16.0 * line.span)
        for ohm in (max(loop.plc.load_resistance, 1.0), *LOADS_OHM)
    ]
    known = raw.high - raw.low
    widths = {other - raw.low for other in RAW_SPANS} | set(RAW_SPANS)
    spans = [(0.0, 100.0 * (known / other - 1.0)) for other in sorted(widths) if other > 1.0 and abs(other - known) > 1.0]
    mixes = ((20.0, 0.0), (-25.0, 0.0))
    # only a program multiplies by a factor that nobody declared: the gauge's, where its output was not seen to be right, or the PLC's
    in_code = Link.SCALING_BLOCK in line.covers or (Link.GAUGE_OUTPUT in line.covers and not output_agrees)
    return {
        "upper-range": lambda e, v: _direction(e, v, (0.0, 1.0)),
        "lower-range": lambda e, v: _direction(e, v, (1.0, 0.0)),
        "output-trim": lambda e, v: _direction(e, v, (0.0, 1.0)) + ZERO_TRIM * _direction(e, v, (1.0, 1.0)),
        "ton-unit": lambda e, v: _points(e, v, [_factor(line, factor) for factor in TONS]),
        "time-base": lambda e, v: _points(e, v, [_factor(line, factor) for factor in BASES]),
        "live-zero-mix": lambda e, v: _points(e, v, mixes),
        "current-leak": lambda e, v: (
            0.8 * _direction(e, v, _pivot(line, below), -1) + 0.2 * _direction(e, v, _pivot(line, below), 1)
        ),
        "current-leak-in": lambda e, v: sum(_direction(e, v, way, 1 if way[0] > 0 else -1) for way in inward) / len(inward),
        "current-offset": lambda e, v: _direction(e, v, (1.0, 1.0)),
        "wrong-variable": lambda e, v: _direction(e, v, _pivot(line, 0.0)),
        "raw-span": lambda e, v: 0.6 * _points(e, v, spans) + 0.2 * _direction(e, v, (0.0, 1.0)) + 0.2 * _plane(e, v),
        UNKNOWN: _plane,
    } | ({UNKNOWN: lambda e, v: 0.5 * _plane(e, v) + 0.5 * _direction(e, v, _pivot(line, 0.0))} if in_code else {})


ALIKE = (frozenset({"upper-range", "output-trim"}),)
"""Causes that draw the same line by construction: where no other station and no setting tells them apart, their weight is one."""

AT_OUTPUT = ("upper-range", "lower-range", "ton-unit", "time-base")
ON_WIRE = ("output-trim", "current-leak", "current-leak-in", "current-offset")
IN_CARD = ("live-zero-mix", "current-leak", "current-offset")
IN_BLOCK = ("upper-range", "lower-range", "ton-unit", "time-base", "raw-span", "live-zero-mix")


def admissible(line: Line, *, output_agrees: bool, load_as_well: bool) -> tuple[str, ...]:
    """Causes that can lie between the two stations of a line.

    `output_agrees`: the gauge's own output was seen to be right; `load_as_well`: load instead of flow on the current is weighed.
    """
    found: list[str] = []
    if Link.GAUGE_OUTPUT in line.covers and not output_agrees:
        found += AT_OUTPUT
        found += ["wrong-variable"] if load_as_well else []
    if Link.CURRENT in line.covers:
        found += ON_WIRE
    if Link.INPUT_CARD in line.covers:
        found += IN_CARD
    if Link.SCALING_BLOCK in line.covers:
        found += IN_BLOCK
    return tuple(dict.fromkeys([*found, UNKNOWN]))


def _weight(cause: str, causes: Sequence[str], factors: Mapping[str, float]) -> float:
    """Prior weight of a cause; those that draw the same line, and of which nothing else is known, share theirs evenly."""
    if cause == UNKNOWN:
        return UNKNOWN_WEIGHT
    group = next((alike for alike in ALIKE if cause in alike), frozenset({cause}))
    mates = [mate for mate in causes if mate in group]
    if any(mate in factors for mate in mates):
        return registry()[cause].weight * factors.get(cause, 1.0)
    return sum(registry()[mate].weight for mate in mates) / len(mates)


def rank(
    line: Line,
    loop: Loop,
    measured: Measured,
    *,
    output_agrees: bool,
    factors: Mapping[str, float],
    load_as_well: bool = False,
) -> tuple[Scored, ...]:
    """Posterior probabilities of the admissible causes, most probable first; ties keep the order of the chain.

    `factors` multiply the prior weights (read-back ranges, who powers the loop); `load_as_well`: load on the current is weighed too.
    """
    e, v = measured.ends(line)
    models = _models(line, loop, output_agrees)
    logs: dict[str, float] = {}
    causes = admissible(line, output_agrees=output_agrees, load_as_well=load_as_well)
    for cause in causes:
        weight = _weight(cause, causes, factors)
        likelihood = models[cause](e, v)
        if weight > 0.0:
            logs[cause] = log(weight) + log(max(likelihood, 1e-300))
    top = max(logs.values())
    sizes = {cause: exp(value - top) for cause, value in logs.items()}
    whole = sum(sizes.values())
    scored = [Scored(cause=cause, probability=size / whole) for cause, size in sizes.items()]
    return tuple(sorted(scored, key=lambda item: -item.probability))
