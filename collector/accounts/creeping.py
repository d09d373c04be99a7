"""What creeps in a loop, how fast, and on which day it reaches its limit: zero, counts, span, speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.accounting.drift import Drift, drift
from checks.blocks import Blocks
from checks.lots import lots_of
from checks.references import Span, Tare
from checks.speed import FAULT as SPEED_FAULT
from checks.window import Window
from checks.zero_series import Series
from collector.accounts.reading import DAY_S
from config.model import Loop, SpeedSource

Floats = NDArray[np.float64]
LOOK_S = 120 * DAY_S
"""How far back a drift is looked for [s]."""
LEAST_CALIBRATIONS = 4
SETS = ("tare", "parameter-change", "calibration")
"""After these the zero is another one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Creep:
    """One quantity that may creep: its limit (+ and -; None where it is not known) and the line through it; `why` there is none."""

    name: str
    unit: str
    limit: float | None
    found: Drift | None
    why: str = ""


def creeps_of(loop: Loop, series: Series | None, window: Window, days: Sequence[Blocks], end: int) -> tuple[Creep, ...]:
    """The four drifts of a loop up to `end` (epoch s). `days` are its stored blocks of a day, or of an hour."""
    return (*_zero(loop, series, window, end), _span(window), _speed(loop, days, end))


def _zero(loop: Loop, series: Series | None, window: Window, end: int) -> tuple[Creep, Creep]:
    limit = loop.limits.zero.fault / 100.0 * (loop.gauge.range.high - loop.gauge.range.low)
    names = ("zero of the empty belt", "empty-belt rate against the decay of the source")
    if series is None:
        needs = [
            *(["a tag for count_rate"] if "count_rate" not in loop.tags else []),
            *(["load_per_attenuation in the site file"] if loop.gauge.load_per_attenuation is None else []),
            "stretches of empty running belt",
        ]
        why = f"needs {' and '.join(needs)}"
        return (
            Creep(name=names[0], unit="t/h", limit=limit, found=None, why=why),
            Creep(name=names[1], unit="%", limit=None, found=None, why=why),
        )
    tared = [float(entry.end_s) for entry in window.references if isinstance(entry, Tare) and entry.end_s <= end]
    tared += [float(item.start_s) for item in series.stretches if item.had(*SETS)]
    since = max([end - LOOK_S, *tared])
    zero_s, zero = _by_day(series.time_s, series.error, since)
    rate_s, rate = _by_day(series.time_s, -100.0 / series.kv * series.counts, end - LOOK_S)
    per_cent = 100.0 * limit / series.kv
    return (
        _creep(names[0], "t/h", zero_s, zero, limit, f"days with an empty running belt since {_since(since, end)}"),
        _creep(names[1], "%", rate_s, rate, per_cent, "days with an empty running belt"),
    )


def _since(since: float, end: int) -> str:
    return "the last tare" if since > end - LOOK_S else "120 days before"


def _span(window: Window) -> Creep:
    lots = lots_of(window).now
    runs = [(float(entry.end_s), _off(entry)) for entry in window.references if isinstance(entry, Span)]
    rows = sorted([(float(lot.end_s), lot.deviation) for lot in lots] + [(at, off) for at, off in runs if off is not None])
    times, values = (np.array([row[at] for row in rows], np.float64) for at in (0, 1))
    words = "reference lots or span runs since the factor was last changed"
    limit = window.loop.limits.totals.fault
    return _creep("span against the reference", "%", times, values, limit, words, least=LEAST_CALIBRATIONS)


def _off(entry: Span) -> float | None:
    """Gauge less reference of a span run [%]."""
    for shown, wanted in ((entry.gauge_t, entry.mass_t), (entry.gauge_load_kg_m, entry.load_kg_m)):
        if shown is not None and wanted:
            return 100.0 * (shown - wanted) / wanted
    return None


def _speed(loop: Loop, days: Sequence[Blocks], end: int) -> Creep:
    name, pair = "belt speed against the drive", ("speed", "drive_speed")
    nominal = loop.drive.speed_at_nominal
    usable = nominal is not None and all(role in loop.tags for role in pair)
    if nominal is None or not usable or loop.gauge.speed_source is SpeedSource.FIXED:
        why = "needs tags for speed and drive_speed, speed_at_nominal, and a gauge that measures its speed"
        return Creep(name=name, unit="%", limit=SPEED_FAULT, found=None, why=why)
    times: list[float] = []
    ratios: list[float] = []
    for part in days:
        if pair not in part.pairs:
            continue
        column = part.pairs.index(pair)
        belt, driven = (part.pair_n[:, column] * values[:, column] for values in (part.pair_x, part.pair_y))
        driven = driven / loop.drive.nominal_frequency * nominal
        moved = np.isfinite(belt) & (driven > 0.0) & (part.start_s >= end - LOOK_S) & (part.start_s < end)
        times += (part.start_s[moved] + 0.5 * part.length_s).tolist()
        ratios += (100.0 * (belt[moved] / driven[moved] - 1.0)).tolist()
    at, values = _by_day(np.array(times, np.float64), np.array(ratios, np.float64), end - LOOK_S)
    return _creep(name, "%", at, values, SPEED_FAULT, "days on which belt and drive were read")


def _creep(name: str, unit: str, times: Floats, values: Floats, limit: float, what: str, *, least: int = 10) -> Creep:
    found = drift(name, unit, times, values, limit, least=least)
    why = "" if found is not None else f"has {int(np.isfinite(values).sum())} of {least} {what}"
    return Creep(name=name, unit=unit, limit=limit, found=found, why=why)


def _by_day(time_s: Floats, values: Floats, since: float) -> tuple[Floats, Floats]:
    """Means of whole UTC days, each at the mean of its times; days that are not known are left out."""
    good = np.isfinite(values) & (time_s >= since)
    if not good.any():
        return np.zeros(0), np.zeros(0)
    _, day = np.unique(time_s[good] // DAY_S, return_inverse=True)
    count = np.bincount(day)
    return np.bincount(day, time_s[good]) / count, np.bincount(day, values[good]) / count
