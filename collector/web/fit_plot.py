"""One line of the chain as a picture: what is shown against what was demanded, identity, limits, the fitted line, its pivot."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.lines import Line
from checks.result import CheckResult, Verdict
from collector.history.store import Trend
from collector.web import words
from collector.web.drawing import Label, nice_ticks
from collector.web.drawn_roles import name_of

Floats = NDArray[np.float64]
Place = Callable[[float], float]

SIZE, LEFT, RIGHT, TOP, BOTTOM = 420.0, 52.0, 10.0, 10.0, 34.0
MOST_POINTS = 400
NEAR = 0.3
"""A pivot further than this outside the scale [parts of span] is told but not drawn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FitPicture:
    """What the template needs, in picture coordinates: points before and since the onset, lines, axis labels, words."""

    title: str
    before: tuple[tuple[float, float], ...]
    since: tuple[tuple[float, float], ...]
    identity: tuple[float, float, float, float]
    band: str
    fitted: tuple[float, float, float, float] | None
    pivot: tuple[float, float] | None
    across: tuple[Label, ...]
    up: tuple[Label, ...]
    x_name: str
    y_name: str
    sentence: str
    rows: tuple[tuple[str, str, str], ...]
    """Name, value, standard error or interval: the same as a table."""


def paired(line: Line, x: Trend, y: Trend) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Bucket means of both stations at the same times, in t/h; what one of them lacks is left out."""
    times, at_x, at_y = np.intersect1d(x.time_s, y.time_s, return_indices=True)
    shown_x, shown_y = x.mean[at_x] * line.x.gain + line.x.offset, y.mean[at_y] * line.y.gain + line.y.offset
    good = np.isfinite(shown_x) & np.isfinite(shown_y)
    return times[good][-MOST_POINTS:], shown_x[good][-MOST_POINTS:], shown_y[good][-MOST_POINTS:]


def draw(line: Line, result: CheckResult, x: Trend, y: Trend, limit_span: float) -> FitPicture | None:
    """The picture of a line as it was last judged; None where nothing was stored of it."""
    times, across, up = paired(line, x, y)
    if not len(times):
        return None
    facts = result.facts
    differs = result.verdict is Verdict.FAULT and "gain" in facts
    low = min(line.low, float(across.min()), float(up.min()))
    high = max(line.high, float(across.max()), float(up.max()))
    ticks = nice_ticks(low, high, 6)
    low, high = ticks[0], ticks[-1]

    def px(value: float) -> float:
        return round(LEFT + (SIZE - LEFT - RIGHT) * (value - low) / (high - low), 1)

    def py(value: float) -> float:
        return round(TOP + (SIZE - TOP - BOTTOM) * (high - value) / (high - low), 1)

    onset = facts.get("onset", -math.inf) if differs else math.inf
    width = limit_span / 100.0 * line.span
    edge = [(low, low + width), (high, high + width), (high, high - width), (low, low - width)]
    return FitPicture(
        title=line.label,
        before=tuple((px(a), py(b)) for t, a, b in zip(times, across, up, strict=True) if t < onset),
        since=tuple((px(a), py(b)) for t, a, b in zip(times, across, up, strict=True) if t >= onset),
        identity=(px(low), py(low), px(high), py(high)),
        band=" ".join(f"{px(a)},{py(min(max(b, low), high))}" for a, b in edge),
        fitted=_fitted(line, facts, px, py) if "gain" in facts else None,
        pivot=_pivot(line, facts, px, py) if differs else None,
        across=tuple(Label(px(tick), SIZE - BOTTOM + 16, words.number(tick, "count")) for tick in ticks),
        up=tuple(Label(LEFT - 6, py(tick) + 4, words.number(tick, "count")) for tick in ticks),
        x_name=name_of(line.x_role),
        y_name=name_of(line.y_role),
        sentence=_sentence(line, result, differs, len(times)),
        rows=_rows(result, differs),
    )


def _plain(value: float, digits: int) -> str:
    """A number with a real minus sign, and none before a zero."""
    text = f"{abs(value):.{digits}f}"
    return text if value >= 0 or not text.strip("0.") else words.MINUS + text


def _fitted(line: Line, facts: Mapping[str, float], px: Place, py: Place) -> tuple[float, float, float, float]:
    slope, offset = 1.0 + facts["gain"], facts.get("offset", 0.0)
    a, b = line.low, line.high
    return px(a), py(offset + slope * a), px(b), py(offset + slope * b)


def _pivot(line: Line, facts: Mapping[str, float], px: Place, py: Place) -> tuple[float, float] | None:
    at = facts.get("pivot", math.nan)
    reach = NEAR * line.span
    known = "pivot_low" in facts and "pivot_high" in facts
    return (px(at), py(at)) if known and line.low - reach < at < line.high + reach else None


def _sentence(line: Line, result: CheckResult, differs: bool, points: int) -> str:
    facts = result.facts
    if "gain" not in facts:
        return f"{points} means of some minutes; too few of them are settled and inside the range for a line."
    slope, offset = 1.0 + facts["gain"], facts.get("offset", 0.0)
    told = f"{name_of(line.y_role)} = {slope:.4f} × {name_of(line.x_role)} {'+' if offset >= 0 else words.MINUS} {abs(offset):.2f} t/h"
    if not differs:
        return f"{told}: the points lie on the identity as far as the limits ask."
    if "pivot_low" in facts and "pivot_high" in facts:
        where = f"{_plain(facts['pivot'], 0)} t/h ({facts['pivot_ma']:.1f} mA)"
        return f"{told}. The fitted line crosses the identity at {where}: that point tells the mechanism."
    return f"{told}. Where the fitted line crosses the identity cannot be told yet."


def _rows(result: CheckResult, differs: bool) -> tuple[tuple[str, str, str], ...]:
    found = []
    for name, digits, unit in (("slope", 4, ""), ("offset", 2, " t/h"), ("lag", 1, " s")):
        item = next((item for item in result.evidence if item.name == name), None)
        if item is not None and item.value is not None:
            error = "" if item.standard_error is None else f"± {2.0 * item.standard_error:.{digits}f}{unit} (k = 2)"
            found.append((name, f"{_plain(item.value, digits)}{unit}", error))
    facts = result.facts
    if differs and "pivot_low" in facts and "pivot_high" in facts:
        span = f"{_plain(facts['pivot_low'], 0)} to {_plain(facts['pivot_high'], 0)} t/h (95 %)"
        found.append(("crosses the identity at", f"{_plain(facts['pivot'], 0)} t/h, {facts['pivot_ma']:.1f} mA", span))
    if "x_low" in facts and "x_high" in facts:
        found.append(("loads seen", f"{_plain(facts['x_low'], 0)} to {_plain(facts['x_high'], 0)} t/h", f"{result.used} rows"))
    return tuple(found)
