"""Which cause moved the zero: by the part that moved (counts or gauge), the shape, the size, and what happened then.

Each cause says how often it takes a shape, with which sign and size, and with which events; the weights are how often the
trade meets it (own estimates, `checks.causes`). Causes that the data cannot part get equal odds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from checks.causes import registry
from checks.finding import UNKNOWN
from checks.zero_series import DAY_S, Series
from checks.zero_shape import PASSING_S, Shape

UNKNOWN_WEIGHT = 0.3
UNKNOWN_SIZE = 0.05
"""Size that is thought possible where no mechanism is known [parts of the counts]."""
LOWEST = 0.02
OFTEN_LARGE, LARGE = 0.2, 3.5
"""One effect in five is of a larger kind, so many times the usual size (own estimate)."""
WORK = frozenset({"stood", "bypass"})
"""Events in which people may have worked on the belt; how rare they are says how much they tell."""
MOST_BY_WORK = 6.0


@dataclass(frozen=True, slots=True)
class Mechanism:
    """One cause at one part. `shapes`: how often it takes each; `sign` of the error (0: either); `size` the scale of a
    half-normal prior [parts of the counts]; `events`: factor where one of them was there, `without` where none was, and
    `untold` where the loop has no tag for them."""

    cause: str
    part: str
    shapes: Mapping[str, float]
    sign: int
    size: float
    events: Mapping[str, float] = field(default_factory=dict)
    without: float = 1.0
    untold: float = 1.0
    role: str = ""


CLOCK_EVENTS: Mapping[str, float] = {"gauge-clock-step": 20.0, "gauge-restart": 4.0, "tare": 0.02}

MECHANISMS = (
    Mechanism("stale-tare", "counts", {"step": 0.7, "constant": 0.8, "ramp": 0.05}, 0, 0.018, {"stood": 1.0, "bypass": 1.0}, 0.2, 0.5),
    Mechanism("build-up", "counts", {"step": 0.25, "constant": 0.4, "ramp": 0.4, "saw": 0.95}, 1, 0.008, {"stood": 0.5}, 1.0),
    Mechanism("wet-belt", "counts", {"passing": 0.9, "step": 0.25}, 1, 0.008),
    Mechanism("detector-drift", "counts", {"ramp": 0.8, "step": 0.02, "constant": 0.3}, 1, 0.02),
    Mechanism("shutter-part-open", "counts", {"step": 0.9, "constant": 0.2}, 1, 0.06, {"shutter": 6.0}, 0.05, 0.3, "shutter_closed"),
    Mechanism("source-changed", "counts", {"step": 0.9, "constant": 0.2}, 0, 0.25, {"stood": 1.0, "bypass": 1.0, "calibration": 1.0}, 0.1, 0.3),
    Mechanism("background", "counts", {"step": 0.7, "passing": 0.4, "constant": 0.4}, -1, 0.008),
    Mechanism("neighbour-source", "counts", {"passing": 0.5, "step": 0.3}, -1, 0.006),
    Mechanism("tare-loaded", "gauge", {"step": 0.9, "constant": 0.3}, -1, 0.013, {"tare-fed": 6.0, "tare": 1.0}, 0.01, 0.4, "empty_belt_rate"),
    Mechanism("tare-standing", "gauge", {"step": 0.9, "constant": 0.2}, 0, 0.004, {"tare-standing": 20.0, "tare": 0.6}, 0.01, 0.2, "empty_belt_rate"),
    Mechanism("source-changed", "gauge", {"step": 0.5, "constant": 0.1}, 0, 0.25, {"tare": 0.5}, 0.02, 0.1, "empty_belt_rate"),
    Mechanism("nuclide-or-clock", "gauge", {"step": 0.6, "constant": 0.2}, 0, 0.1, CLOCK_EVENTS, 0.4, 0.6),
    Mechanism("nuclide-or-clock", "gauge", {"step": 0.2, "constant": 0.1}, 0, 0.7, CLOCK_EVENTS, 0.4, 0.6),
)  # fmt: skip

TIES: tuple[tuple[str, frozenset[str], frozenset[str]], ...] = (
    ("counts", frozenset({"ramp"}), frozenset({"build-up", "detector-drift"})),
    ("counts", frozenset({"constant"}), frozenset({"build-up", "stale-tare"})),
)
"""Part, shapes and causes that no measurement of the loop parts: a slow cake and a slow loss of gain are the same numbers, and
so are a cake and another belt that were there before anybody looked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What moved the zero: part, shape, and the part of the error that it explains [t/h]."""

    part: str
    shape: str
    size: float
    begin_s: float
    interval: tuple[float, float]
    kinds: frozenset[str]
    lasted_s: float
    level: float
    """Level of that part now, against a sound chain [t/h]."""
    work_rate: float = 1.0
    """Part of all stretches before which the belt stood long or was worked on."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """A cause with its posterior probability."""

    cause: str
    probability: float


def refined(series: Series, part: str, shape: Shape) -> tuple[int, tuple[float, float], frozenset[str]]:
    """The row at which a step came, looked for stretch by stretch, with its interval and the events about it."""
    values = series.counts if part == "counts" else series.gauge
    weight = series.weight if part == "counts" else np.full(len(series), 1.0 / series.gauge_scatter**2)
    reach = max(2 * DAY_S, shape.interval[1] - shape.interval[0])
    low, high = shape.interval[0] - reach, shape.interval[1] + reach
    rows = np.flatnonzero((series.time_s >= low) & (series.time_s <= high) & np.isfinite(values))
    if len(rows) < 2:
        row = int(np.searchsorted(series.time_s, shape.begin_s))
        row = min(max(row, 0), len(series) - 1)
        return row, shape.interval, frozenset(kind for kind, _ in series.stretches[row].events)
    w, y = weight[rows], values[rows]
    sw, sy = np.cumsum(w), np.cumsum(w * y)
    left, right = sy[:-1] / sw[:-1], (sy[-1] - sy[:-1]) / (sw[-1] - sw[:-1])
    gain = 0.5 * (right - left) ** 2 * sw[:-1] * (sw[-1] - sw[:-1]) / sw[-1]
    best = int(np.argmax(gain))
    near = np.flatnonzero(gain >= gain[best] - 3.0)
    first, last = rows[near[0]], rows[near[-1] + 1]
    kinds = {kind for row in range(int(first) + 1, int(last) + 1) for kind, _ in series.stretches[row].events}
    return (
        int(rows[best + 1]),
        (float(series.stretches[first].end_s), float(series.stretches[last].start_s)),
        frozenset(kinds),
    )


def rank(series: Series, moved: Moved, roles: Sequence[str], points: Mapping[str, float]) -> list[Ranked]:
    """Causes of a movement, the likeliest first. `points` are levels of the gauge that a cause would give exactly [t/h]."""
    size = abs(moved.size) / series.kv
    sign = 1 if moved.size > 0.0 else -1
    scores: dict[str, float] = {UNKNOWN: UNKNOWN_WEIGHT * _half_normal(size, UNKNOWN_SIZE)}
    for entry in MECHANISMS:
        if entry.part != moved.part or entry.sign * sign < 0:
            continue
        large = OFTEN_LARGE * _half_normal(size, LARGE * entry.size)
        likely = entry.shapes.get(moved.shape, 0.0) * ((1.0 - OFTEN_LARGE) * _half_normal(size, entry.size) + large)
        likely *= _events(entry, moved, roles)
        likely *= _age(entry, moved) * registry()[entry.cause].weight * (0.5 if entry.sign == 0 else 1.0)
        scores[entry.cause] = scores.get(entry.cause, 0.0) + likely
    if moved.part == "gauge" and moved.shape in ("step", "constant") and not moved.kinds & {"tare"}:
        for cause, level in points.items():
            sd = math.sqrt(series.gauge_scatter**2 + (0.01 * level) ** 2 + 0.2**2) / series.kv
            off = (moved.level - level) / series.kv
            density = math.exp(-0.5 * min((off / sd) ** 2, 400.0)) / (sd * math.sqrt(2.0 * math.pi))
            name = cause.partition(":")[0]
            scores[name] = scores.get(name, 0.0) + 0.3 * registry()[name].weight * density
    for part, shapes, causes in TIES:
        tied = [cause for cause in causes if cause in scores]
        if moved.part == part and moved.shape in shapes and len(tied) == len(causes):
            mean = sum(scores[cause] for cause in tied) / len(tied)
            scores |= dict.fromkeys(tied, mean)
    if moved.shape == "step" and moved.lasted_s < PASSING_S and "wet-belt" in scores and "build-up" in scores:
        mean = 0.5 * (scores["wet-belt"] + scores["build-up"])
        scores |= {"wet-belt": mean, "build-up": mean}
    total = sum(scores.values())
    ranking = [Ranked(cause, score / total) for cause, score in scores.items()]
    return sorted(ranking, key=lambda ranked: (-ranked.probability, ranked.cause))


def _half_normal(size: float, scale: float) -> float:
    return math.sqrt(2.0 / math.pi) / scale * math.exp(-0.5 * min((size / scale) ** 2, 400.0))


def _events(entry: Mechanism, moved: Moved, roles: Sequence[str]) -> float:
    if not entry.events:
        return 1.0
    if entry.role and entry.role not in roles:
        return entry.untold
    if moved.shape == "constant":
        return entry.untold
    there = [factor for kind, factor in entry.events.items() if kind in moved.kinds]
    if not there:
        return entry.without
    work = bool(moved.kinds & WORK) and any(kind in WORK and factor >= 1.0 for kind, factor in entry.events.items())
    return max(there) * (min(max(0.9 / max(moved.work_rate, 0.05), 1.0), MOST_BY_WORK) if work else 1.0)


def _age(entry: Mechanism, moved: Moved) -> float:
    """Water dries: what has stood for more than a day and a half is none."""
    if entry.cause == "wet-belt" and moved.shape == "step":
        return 1.0 if moved.lasted_s < PASSING_S else LOWEST
    return 1.0
