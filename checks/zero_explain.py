"""What moved the zero, since when, and how many tonnes that made."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from checks.causes import registry
from checks.finding import UNKNOWN
from checks.stretches import EmptyStretch, each_of, had
from checks.zero_causes import WORK, Moved, Ranked, rank, refined
from checks.zero_law import Law
from checks.zero_series import DAY_S, Level, Series
from checks.zero_shape import Shape, binned, shapes
from checks.zero_swing import Swing
from config.model import Loop
from config.nuclides import NUCLIDES, decay_constant_s

Floats = NDArray[np.float64]


SLOPE_FLOOR = 0.04
"""No slope is known better than this part of it: calibration and speed are declared, not measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """The movement, the causes in order, the row of the series from which it holds."""

    moved: Moved
    ranking: tuple[Ranked, ...]
    row: int


def explain(
    series: Series, level: Level, loop: Loop, clock_skew_s: float | None, swing: Swing | None, law: Law | None = None
) -> Explained:  # fmt: skip
    """The part of the error that moved most: counts, gauge, daily swing, or what was there from the first stretch on."""
    counts = series.counts if swing is None else series.counts - swing.part
    held = {
        "counts": shapes(binned(series.time_s, counts, series.weight, series.by_day)),
        "gauge": shapes(binned(series.time_s, series.gauge, np.full(len(series), series.gauge_scatter**-2.0), 0.0)),
    }
    sign = 1.0 if level.value > 0.0 else -1.0
    by_sun = float(swing.part[level.first :].mean()) if swing is not None else 0.0
    sizes = {part: _size(found) for part, found in held.items()}
    start = level.value - sum(sizes.values()) - by_sun
    shares = {**sizes, "start": start, "swing": by_sun}
    leading = max(shares, key=lambda name: sign * shares[name])
    if leading == "swing" and swing is not None:
        return _follows(series, swing, level)
    points = _points(series, loop, clock_skew_s)
    roles = tuple(loop.tags)
    if leading == "start":
        return _constant(series, level, roles, points)
    shape = held[leading][0]
    row, interval, kinds = _onset(series, leading, shape)
    now = float(series.time_s[-1])
    moved = Moved(
        part=leading, shape=shape.name, size=sizes[leading], begin_s=0.5 * (interval[0] + interval[1]), interval=interval,
        kinds=kinds, lasted_s=now - interval[0], level=level.gauge if leading == "gauge" else level.counts,
        work_rate=float(had(series.stretches, WORK).mean()),
    )  # fmt: skip
    if leading == "gauge" and shape.name in ("ramp", "saw"):
        slope, se = (law.slope, law.se) if law is not None else (shape.slope, shape.slope_se)
        return Explained(moved=moved, ranking=tuple(by_slope(series, loop, slope, se)), row=row)
    return Explained(moved=moved, ranking=tuple(rank(series, moved, roles, points)), row=row)


def _size(found: Sequence[Shape]) -> float:
    return found[0].size if found and found[0].name != "level" else 0.0


def _onset(series: Series, part: str, shape: Shape) -> tuple[int, tuple[float, float], frozenset[str]]:
    if shape.name == "step":
        return refined(series, part, shape)
    row = min(int(np.searchsorted(series.time_s, shape.begin_s)), len(series) - 1)
    kinds = frozenset(kind for kind, _ in series.stretches[row].events)
    return row, shape.interval, kinds


def _constant(series: Series, level: Level, roles: Sequence[str], points: Mapping[str, float]) -> Explained:
    """An error that is older than the ledger: the declared empty-belt rate says whether counts or gauge are off.

    Where a tare was seen before the belt first ran empty, what the gauge takes for empty is of that moment.
    """
    first = float(series.stretches[0].start_s)
    tares = tuple(event for event in series.stretches[0].events if event[0].startswith("tare"))
    parts = ["counts", "gauge"]
    if series.declared:
        parts = ["counts" if abs(level.counts) >= abs(level.gauge) else "gauge"]
    scores: dict[str, float] = {}
    moved = None
    for part in parts:
        moved = Moved(
            part=part, shape="constant", size=level.value, begin_s=first, interval=(first, first), kinds=frozenset(),
            lasted_s=math.inf, level=level.gauge,
        )  # fmt: skip
        if tares and part == "gauge":
            tared = float(tares[0][1])
            moved = replace(
                moved, shape="step", kinds=frozenset(kind for kind, _ in tares), begin_s=tared, interval=(tared, tared),
                lasted_s=float(series.time_s[-1]) - tared,
            )  # fmt: skip
        for ranked in rank(series, moved, roles, points):
            scores[ranked.cause] = scores.get(ranked.cause, 0.0) + ranked.probability / len(parts)
    assert moved is not None
    ranking = sorted((Ranked(cause, score) for cause, score in scores.items()), key=lambda one: (-one.probability, one.cause))
    return Explained(moved=moved, ranking=tuple(ranking), row=0)


def _follows(series: Series, swing: Swing, level: Level) -> Explained:
    row = int(np.searchsorted(series.time_s, series.time_s[-1] - swing.days * DAY_S))
    first = float(series.stretches[row].start_s)
    moved = Moved(
        part="swing", shape=swing.by, size=level.value, begin_s=first, interval=(first, first), kinds=frozenset(),
        lasted_s=swing.days * DAY_S, level=level.counts,
    )  # fmt: skip
    return Explained(moved=moved, ranking=tuple(of_swing(swing)), row=row)


def of_swing(swing: Swing) -> list[Ranked]:
    """Temperature where the temperature tells it better, daylight where only the sun does, both where neither is clear."""
    weights = {"detector-temperature": registry()["detector-temperature"].weight, "light-leak": registry()["light-leak"].weight}
    if not swing.lightward:
        weights["light-leak"] *= 0.02  # daylight adds counts, so the zero is low by day, never high
    if swing.by == "temperature":
        weights["light-leak"] *= 0.02
    elif swing.by == "daylight":
        weights["detector-temperature"] *= 0.02
    else:
        weights = dict.fromkeys(weights, 1.0) if swing.lightward else weights
    total = sum(weights.values()) * 1.05
    found = [Ranked(cause, weight / total) for cause, weight in weights.items()]
    return sorted([*found, Ranked(UNKNOWN, 0.05 / 1.05)], key=lambda one: -one.probability)


def _points(series: Series, loop: Loop, clock_skew_s: float | None) -> dict[str, float]:
    """Levels of the gauge that a wrong compensation since the reference date would give [t/h]; a colon parts variants."""
    out: dict[str, float] = {}
    if series.declared:
        age_d = (float(series.time_s[-1]) - series.reference_s) / DAY_S
        out["decay-off"] = series.decay_per_day * age_d
        out["decay-double"] = -series.decay_per_day * age_d
        for name, other in _others(loop).items():
            out[f"nuclide-or-clock:{name}"] = series.kv * other * DAY_S * age_d
    if clock_skew_s is not None and abs(clock_skew_s) > DAY_S:
        out["nuclide-or-clock:clock"] = -series.decay_per_day * clock_skew_s / DAY_S
    return out


def _others(loop: Loop) -> dict[str, float]:
    """Decay constant of the declared nuclide less that of each other one [1/s]."""
    own = decay_constant_s(loop.gauge.nuclide)
    return {name: own - decay_constant_s(name) for name in NUCLIDES if name != loop.gauge.nuclide}


def by_slope(series: Series, loop: Loop, slope: float, se: float) -> list[Ranked]:
    """Causes of a slope of what the gauge takes for empty [t/h per day]: none, off, double, another nuclide, or no law."""
    own = series.decay_per_day
    others = _others(loop)
    entries = [
        ("decay-off", own, registry()["decay-off"].weight),
        ("decay-double", -own, registry()["decay-double"].weight),
        *(
            ("nuclide-or-clock", series.kv * other * DAY_S, registry()["nuclide-or-clock"].weight / len(others))
            for other in others.values()
        ),
    ]
    scores: dict[str, float] = {}
    for cause, expected, weight in entries:
        sd = math.hypot(se, SLOPE_FLOOR * expected)
        density = math.exp(-0.5 * min(((slope - expected) / sd) ** 2, 400.0)) / sd
        scores[cause] = scores.get(cause, 0.0) + weight * density
    broad = 2.0 * own + abs(slope)
    scores[UNKNOWN] = 0.3 / broad
    scores["auto-zero-creep"] = 0.3 / broad if _tares(series) >= CREEP_TARES else 0.0
    total = sum(scores.values())
    ranking = [Ranked(cause, score / total) for cause, score in scores.items() if score > 0.0]
    return sorted(ranking, key=lambda one: (-one.probability, one.cause))


CREEP_TARES = 5
"""So many tares without an operator are an automatic zero."""


def _tares(series: Series) -> int:
    return int(each_of(series.stretches, "tares without an operator", _unattended).sum())


def _unattended(stretch: EmptyStretch) -> float:
    return float(0 if stretch.had("calibration", "bypass") else sum(kind == "tare" for kind, _ in stretch.events))


def crept(series: Series) -> tuple[float, float, int] | None:
    """What an automatic zero has moved since the ledger began: drift of the gauge [t/h], its standard error, number of tares.

    None where there were few tares or an operator made them. The law of decay is taken off already.
    """
    tares = _tares(series)
    good = np.flatnonzero(np.isfinite(series.gauge))
    if tares < CREEP_TARES or len(good) < 6:
        return None
    drift = float(np.median(series.gauge[good[-3:]]) - np.median(series.gauge[good[:3]]))
    return drift, series.gauge_scatter, tares


def tonnes_since(series: Series, loop: Loop, row: int, late_s: float, rate: float, after_h: float) -> tuple[float, float]:
    """Tonnes booked too many (+) since a row and their expanded uncertainty (k = 2): the error times the hours it ran.

    Where the PLC shows nothing on the empty belt (cut-off, clamp), only loaded hours count. `after_h` are the running hours
    since the newest stretch, `late_s` how long the begin is uncertain.
    """
    part = series.stretches[row:]
    error = np.where(np.isfinite(series.error[row:]), series.error[row:], rate)
    lost = (rate < 0.0 and loop.plc.clamp_at_zero) or abs(rate) < loop.plc.low_cutoff
    loaded_only = np.array([stretch.hidden or lost for stretch in part])
    hours = np.array([stretch.loaded_s if only else stretch.running_s for stretch, only in zip(part, loaded_only, strict=True)])
    hours = hours / 3600.0
    variance = (series.variance + series.scatter**2)[row:]
    total = float((error * hours).sum()) + rate * after_h
    days = max(1.0, (float(series.time_s[-1]) - float(series.time_s[row])) / DAY_S)
    whole = float(hours.sum()) + after_h
    noise = float((variance * hours**2).sum()) + (series.by_day * whole) ** 2 / days
    late = abs(rate) * min(late_s / 3600.0, whole) / math.sqrt(12.0)
    return total, 2.0 * math.sqrt(noise + late**2)
