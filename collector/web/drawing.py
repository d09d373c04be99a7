"""The small trend as an SVG, drawn on the server: two lines, their axis, and the numbers they were drawn from."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from collector.history.store import Trend
from collector.web import words

WIDTH, HEIGHT = 720.0, 190.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 8.0, 10.0, 24.0
TABLE_ROWS = 8


@dataclass(frozen=True, slots=True)
class Label:
    """A text on an axis at x, y."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPicture:
    """What the template needs: one list of polylines per series (a gap parts them), grid, labels, table and sentence."""

    series: tuple[tuple[str, str, tuple[str, ...]], ...]
    """Name, class, polylines as SVG point lists."""
    grid: tuple[Label, ...]
    hours: tuple[Label, ...]
    unit: str
    rows: tuple[tuple[float, tuple[float | None, ...]], ...]
    sentence: str


def nice_ticks(low: float, high: float, count: int = 4) -> list[float]:
    """Round numbers that cover a range, in steps of 1, 2 or 5 times a power of ten."""
    span = high - low
    if not span > 0:
        span = max(abs(high), 1.0)
    raw = span / count
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * 0.999)
    first, last = math.floor(low / step), math.ceil(high / step)
    if first == last:
        last += 1
    return [index * step for index in range(first, last + 1)]


def draw(trends: Sequence[tuple[str, str, Trend]], begin: int, end: int, zone: ZoneInfo) -> TrendPicture | None:
    """Draw (name, class, trend) over a time; None where no trend holds a number."""
    full = [(name, css, trend) for name, css, trend in trends if np.isfinite(trend.mean).any()]
    if not full or end <= begin:
        return None
    values = np.concatenate([trend.mean[np.isfinite(trend.mean)] for _, _, trend in full])
    ticks = nice_ticks(min(0.0, float(values.min())), float(values.max()))
    low, high = ticks[0], ticks[-1]

    def x(time_s: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (time_s - begin) / (end - begin)

    def y(value: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (high - value) / (high - low)

    unit = full[0][2].unit
    return TrendPicture(
        series=tuple((name, css, _lines(trend, x, y)) for name, css, trend in full),
        grid=tuple(Label(LEFT, round(y(tick), 1), words.number(tick, "count")) for tick in ticks),
        hours=tuple(_time_labels(begin, end, zone, x)),
        unit=unit,
        rows=_rows(full, begin, end),
        sentence=_sentence(full, unit),
    )


def _lines(trend: Trend, x: Callable[[float], float], y: Callable[[float], float]) -> tuple[str, ...]:
    lines: list[str] = []
    points: list[str] = []
    last: int | None = None
    for time_s, value in zip(trend.time_s.tolist(), trend.mean.tolist(), strict=True):
        gap = last is not None and time_s - last > 1.5 * trend.step_s
        if points and (gap or not math.isfinite(value)):
            lines.append(" ".join(points))
            points = []
        if math.isfinite(value):
            points.append(f"{x(time_s):.1f},{y(value):.1f}")
            last = time_s
    if points:
        lines.append(" ".join(points))
    return tuple(lines)


def _time_labels(begin: int, end: int, zone: ZoneInfo, x: Callable[[float], float]) -> list[Label]:
    span = end - begin
    step = next((size for size in (300, 600, 1200, 1800, 3600, 7200, 14400, 21600) if span / size <= 7), 86400)
    offset = datetime.fromtimestamp(begin, zone).utcoffset()
    shift = int(offset.total_seconds()) if offset else 0
    first = -(-(begin + shift) // step) * step - shift
    return [
        Label(round(x(time_s), 1), HEIGHT - 6, datetime.fromtimestamp(time_s, zone).strftime("%H:%M"))
        for time_s in range(first, end + 1, step)
    ]


def _mean_in(trend: Trend, begin: float, end: float) -> float | None:
    inside: NDArray[np.bool_] = (trend.time_s >= begin) & (trend.time_s < end) & np.isfinite(trend.mean)
    return float(trend.mean[inside].mean()) if inside.any() else None


def _rows(trends: Sequence[tuple[str, str, Trend]], begin: int, end: int) -> tuple[tuple[float, tuple[float | None, ...]], ...]:
    width = (end - begin) / TABLE_ROWS
    edges = [begin + index * width for index in range(TABLE_ROWS)]
    return tuple((edge, tuple(_mean_in(trend, edge, edge + width) for _, _, trend in trends)) for edge in edges)


def _sentence(trends: Sequence[tuple[str, str, Trend]], unit: str) -> str:
    parts = []
    for name, _, trend in trends:
        good = trend.mean[np.isfinite(trend.mean)]
        least, most = float(np.nanmin(trend.minimum)), float(np.nanmax(trend.maximum))
        mean, least_text, most_text = (words.quantity(value, unit) for value in (float(good.mean()), least, most))
        parts.append(f"{name}: mean {mean}, from {least_text} to {most_text}")
    return "; ".join(parts) + "."
