"""Flow over time for the choice of a run: its picture with what the window leaves out, and the loaded stretches that are offered."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from checks.commissioning.durations import LEAST_LOAD
from collector.commissioning.calibration_asked import LONGEST_S
from collector.history.store import Trend
from collector.web.drawing import LEFT, RIGHT, WIDTH, TrendPicture, draw

OFFERED = 6
"""Loaded stretches that are offered as runs at most."""
LEAST_S = 300
"""Shortest loaded stretch that is offered [s]; own estimate."""
AROUND = 1
"""Steps of the trend that an offer takes before and behind the load, so that both edges lie in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A stretch of flow: its picture (None: no number in it), and the columns that the script draws: time, mean, least, largest."""

    begin: int
    end: int
    picture: TrendPicture | None
    columns: list[list[float | None]]
    shades: tuple[tuple[float, float], ...] = ()
    """x and width of what is left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """A loaded stretch [epoch s] with the tonnes that the gauge made of it [t]."""

    begin: int
    end: int
    tonnes: float


def drawn(trend: Trend, begin: int, end: int, zone: ZoneInfo, window: tuple[float, float] | None = None) -> Drawn:
    """A trend over a time [epoch s], with what lies outside of a window shaded."""
    scale = (WIDTH - LEFT - RIGHT) / (end - begin)
    shades: tuple[tuple[float, float], ...] = ()
    if window is not None:
        left, right = (window[0] - begin) * scale, (end - window[1]) * scale
        shades = ((LEFT, round(left, 1)), (round(WIDTH - RIGHT - right, 1), round(right, 1)))
    columns = [_plain(part) for part in (trend.time_s.astype(np.float64), trend.mean, trend.minimum, trend.maximum)]
    return Drawn(
        begin=begin, end=end, picture=draw([("gauge flow", "gauge", trend)], begin, end, zone), columns=columns, shades=shades
    )


def offers(trend: Trend, full: float) -> list[Offer]:
    """Stretches of a trend that may be runs: loaded to 20 % of `full` [t/h] and more: the longest ones, the newest of them first."""
    loaded = np.isfinite(trend.mean) & (trend.mean >= LEAST_LOAD * full)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], loaded.astype(np.int8), [0]))))
    found = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        begin, end = int(trend.time_s[first]), int(trend.time_s[last - 1]) + trend.step_s
        if end - begin >= LEAST_S:
            begin, margin = begin - AROUND * trend.step_s, AROUND * trend.step_s
            tonnes = float(np.nansum(trend.mean[first:last])) * trend.step_s / 3600.0
            found.append(Offer(begin=begin, end=min(end + margin, begin + int(LONGEST_S)), tonnes=tonnes))
    longest = sorted(found, key=lambda offer: offer.begin - offer.end)[:OFFERED]
    return sorted(longest, key=lambda offer: -offer.begin)


def _plain(values: NDArray[np.float64]) -> list[float | None]:
    return [round(float(value), 3) if np.isfinite(value) else None for value in values]
