"""The pictures of a record as SVG, for paper: black on white, shapes and words instead of colours."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from markupsafe import Markup

from checks.reliability.timeline import LoopState
from checks.result import Link, Verdict, worst
from collector.accounts.content import Tonnes
from collector.records import drawing as draw
from collector.records.chain_report import Bar, LinkLine
from collector.records.loop_check import LoopCheck, Series
from collector.web import words
from collector.web.drawing import nice_ticks

WIDTH = 680.0
SIGNAL = (
    Link.COUNTS, Link.LOAD, Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK, Link.TOTALS, Link.DRIVE,
)  # fmt: skip
"""The links that a chain report draws, in the order of the signal; the drive stands beside it."""
GREYS = {
    LoopState.TRUE: ("#e4e4e4", 10.0), LoopState.UNVERIFIED: ("#cccccc", 14.0), LoopState.DEGRADED: ("#999999", 22.0),
    LoopState.NOT_MEASURING: ("#000000", 30.0), LoopState.MAINTENANCE: ("#c4c4c4", 18.0),
    LoopState.NO_DATA: ("#f3f3f3", 6.0), LoopState.NOT_REQUIRED: ("#ffffff", 3.0),
}  # fmt: skip
"""Fill and height of each state of the strip: the darker and higher, the worse. Narrow pieces have no outline: it would be black."""


@dataclass(frozen=True, slots=True)
class Box:
    """A station of a drawn chain: title and lines below it; a mark where it has a verdict."""

    title: str
    lines: tuple[str, ...]
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True)
class Arrow:
    """The way from one box to the next, with lines above it and a mark."""

    lines: tuple[str, ...] = ()
    verdict: Verdict | None = None


def links_drawn(lines: Sequence[LinkLine]) -> Markup:
    """The chain of a chain report: one box a link with the worst verdict of the period."""
    boxes = []
    for link in SIGNAL:
        here = [line for line in lines if line.link is link]
        verdict = worst(line.worst for line in here)
        boxes.append(Box(words.LINK_NAMES[link], (verdict.words,), verdict))
    return chain(boxes, [Arrow() for _ in boxes[:-2]], beside=True, label="the chain with the worst verdict of each link")


def check_drawn(check: LoopCheck) -> Markup:
    """The chain of a loop check: one box a station, between them the largest error as found and as left."""
    boxes = [
        Box(
            station.name,
            (f"{station.low:g} to {station.high:g}", station.unit, *([station.read_by] if station.read_by else [])),
        )
        for station in check.stations
    ]
    arrows = []
    for at in range(1, len(check.stations)):
        said: list[str] = []
        verdict: Verdict | None = None
        for name, series in (("found", check.as_found), ("left", check.as_left)):
            lines = [line for line in series.lines if line.at == at] if series is not None else []
            if lines:
                largest = max(lines, key=lambda line: abs(line.error_span))
                said.append(f"{name} {words.number(largest.error_span, '%', signed=True)} %")
                verdict = worst(line.verdict for line in lines)
        arrows.append(Arrow(tuple(said) or ("not read",), verdict or Verdict.NOT_EVALUATED))
    return chain(boxes, arrows, label="the chain of the loop with the largest error of each link in % of span")


def chain(boxes: Sequence[Box], arrows: Sequence[Arrow], *, label: str, beside: bool = False) -> Markup:
    """Boxes in a row, an arrow between neighbours; with `beside` the last one stands apart. Words wrap at box width."""
    gap = 74.0 if any(arrow.lines for arrow in arrows) else 12.0
    wide = (WIDTH - 2.0 - gap * (len(boxes) - 1)) / len(boxes)
    signs = max(6, int(wide / 5.1))
    texts = [
        [*draw.wrapped(box.title, signs), *(part for line in box.lines for part in draw.wrapped(line, signs))] for box in boxes
    ]
    heads = [len(draw.wrapped(box.title, signs)) for box in boxes]
    mark_h = 18.0 if any(box.verdict for box in boxes) else 0.0
    high = 12.0 + 11.0 * max(len(text) for text in texts) + mark_h
    out: list[Markup] = []
    for place, (box, text) in enumerate(zip(boxes, texts, strict=True)):
        x = 1.0 + place * (wide + gap)
        out.append(draw.rect(x, 1.0, wide, high, "none", 1.0, "3 2" if beside and place == len(boxes) - 1 else ""))
        for row, line in enumerate(text):
            out.append(draw.text(x + wide / 2, 13.0 + 11.0 * row, line, 8.2, "middle", bold=row < heads[place]))
        if box.verdict is not None:
            out.append(draw.mark(box.verdict, x + wide / 2, high - 9.0))
        if place < len(arrows):
            out.append(_arrow(x + wide, x + wide + gap, 1.0 + high / 2, arrows[place]))
    return draw.svg(WIDTH, high + 2.0, out, label)


def _arrow(x: float, end: float, y: float, arrow: Arrow) -> Markup:
    out = [
        draw.line(x + 1, y, end - 1, y),
        Markup('<path d="M{} {}l-5 -3v6z"/>').format(draw.rounded(end - 1), draw.rounded(y)),
    ]
    for row, line in enumerate(reversed(arrow.lines)):
        out.append(draw.text((x + end) / 2, y - 6.0 - 10.0 * row, line, 7.2, "middle"))
    if arrow.verdict is not None:
        out += [
            draw.mark(arrow.verdict, (x + end) / 2, y + 11.0),
            draw.text((x + end) / 2, y + 26.0, arrow.verdict.words, 7.2, "middle"),
        ]
    return Markup("").join(out)


def errors_drawn(check: LoopCheck, at: int) -> Markup | None:
    """Error against point for one link, as found and as left, up and down, with the limits; None where it was not read."""
    drawn = [(name, part) for name, part in (("as found", check.as_found), ("as left", check.as_left)) if part is not None]
    lines = [line for _, part in drawn for line in part.lines if line.at == at]
    if not lines:
        return None
    station = check.stations[at]
    ticks = nice_ticks(
        min(-station.fault, *(line.error_span for line in lines)), max(station.fault, *(line.error_span for line in lines)), 4
    )
    width, height, left, top, bottom = 330.0, 150.0, 40.0, 8.0, 26.0
    low, high = ticks[0], ticks[-1]

    def x(target: float) -> float:
        return left + 7.0 + (width - left - 20.0) * target / 100.0

    def y(error: float) -> float:
        return top + (height - top - bottom) * (high - error) / (high - low)

    out: list[Markup] = []
    for tick in ticks:
        out += [
            draw.line(left, y(tick), width - 8, y(tick), "#bbb", 0.5),
            draw.text(left - 4, y(tick) + 3, f"{tick:g}", 7.5, "end"),
        ]
    for limit in (-station.fault, station.fault):
        out.append(draw.line(left, y(limit), width - 8, y(limit), "#000", 0.8, "5 3"))
    for target in (0, 25, 50, 75, 100):
        out.append(draw.text(x(target), height - 14, f"{target}", 7.5, "middle"))
    out.append(draw.text((left + width) / 2, height - 3, "% of span; error in % of span; dashed: limit", 7.5, "middle"))
    for name, part in drawn:
        out.append(_walk(part, at, x, y, filled=name == "as left"))
    return draw.svg(width, height, out, f"errors of {station.name}")


def _walk(part: Series, at: int, x: Callable[[float], float], y: Callable[[float], float], *, filled: bool) -> Markup:
    out: list[Markup] = []
    fill = "#000" if filled else "#fff"
    for way in ("up", "down"):
        dots = [(x(part.points[line.point].target), y(line.error_span)) for line in part.lines
                if line.at == at and part.points[line.point].direction == way]  # fmt: skip
        if not dots:
            continue
        way_drawn = " ".join(f"{draw.rounded(a)},{draw.rounded(b)}" for a, b in dots)
        dash = Markup(' stroke-dasharray="2 2"') if way == "down" else ""
        out.append(Markup('<polyline points="{}" fill="none" stroke="#000" stroke-width="0.9"{}/>').format(way_drawn, dash))
        for a, b in dots:
            shape = (
                f"M{draw.rounded(a)} {draw.rounded(b - 3.6)}l3.4 6h-6.8z"
                if way == "up"
                else f"M{draw.rounded(a)} {draw.rounded(b + 3.6)}l3.4 -6h-6.8z"
            )
            out.append(Markup('<path d="{}" fill="{}" stroke="#000" stroke-width="0.9"/>').format(shape, fill))
    return Markup("").join(out)


def bars_drawn(bars: Sequence[Bar], zone: ZoneInfo) -> Markup | None:
    """Tonnes by hour or day: white the gauge's flow, grey the PLC; None where nothing is known."""
    pattern = "%H:%M" if bars and bars[0].end - bars[0].begin <= 3600 else "%d %b"
    named = [(datetime.fromtimestamp(bar.begin, zone).strftime(pattern), bar.own, bar.plc) for bar in bars]
    legend = "t; white: integral of the gauge flow, grey: PLC total"
    return _pairs(named, legend, "tonnes of the gauge flow and of the PLC total")


def _pairs(bars: Sequence[tuple[str, float | None, float | None]], legend: str, label: str) -> Markup | None:
    """A white and a grey bar for each name; None where there is no number at all."""
    values = [value for _, *pair in bars for value in pair if value is not None]
    if not values:
        return None
    ticks = nice_ticks(min(0.0, *values), max(values), 4)
    height, left, top, bottom = 150.0, 46.0, 8.0, 26.0
    low, high = ticks[0], ticks[-1]

    def y(value: float) -> float:
        return top + (height - top - bottom) * (high - value) / (high - low)

    step = (WIDTH - left - 6.0) / len(bars)
    out: list[Markup] = []
    for tick in ticks:
        out += [
            draw.line(left, y(tick), WIDTH - 4, y(tick), "#bbb", 0.5),
            draw.text(left - 4, y(tick) + 3, words.number(tick, "count"), 7.5, "end"),
        ]
    every = max(1, -(-len(bars) // 12))
    for place, (name, white, grey) in enumerate(bars):
        x = left + place * step
        for shift, value, fill in ((0.10, white, "#fff"), (0.50, grey, "#888")):
            if value is not None:
                first, last = sorted((y(value), y(0.0)))
                out.append(draw.rect(x + shift * step, first, 0.38 * step, max(last - first, 0.4), fill))
        if place % every == 0:
            out.append(draw.text(x + step / 2, height - 14, name, 7.5, "middle"))
    out.append(draw.text((left + WIDTH) / 2, height - 3, legend, 7.5, "middle"))
    return draw.svg(WIDTH, height, out, label)


def parts_drawn(parts: Sequence[Tonnes]) -> Markup | None:
    """Best estimate and PLC total of each part of an accounted period."""
    bars = [
        (part.period.name[-5:] if part.period.kind == "day" else part.period.name[5:], part.best, part.plc) for part in parts
    ]
    return _pairs(bars, "t; white: best estimate, grey: PLC total", "best estimate and PLC total of each part")


def strip_drawn(strip: Sequence[tuple[int, int, str]], begin: int, end: int, zone: ZoneInfo) -> Markup:
    """The states of a loop over time: the darker and higher, the worse; at least half a unit wide, so that nothing is lost."""
    out: list[Markup] = []
    scale = (WIDTH - 2.0) / max(end - begin, 1)
    order = sorted(strip, key=lambda piece: GREYS[LoopState(piece[2])][1])
    for first, last, state in order:
        fill, high = GREYS[LoopState(state)]
        wide = max((last - first) * scale, 0.5)
        out.append(draw.rect(1.0 + (first - begin) * scale, 32.0 - high, wide, high, fill, 0.3 if wide > 2.0 else 0.0))
    out.append(draw.line(1.0, 32.0, WIDTH - 1.0, 32.0))
    for edge, x, anchor in ((begin, 1.0, "start"), (end, WIDTH - 1.0, "end")):
        out.append(draw.text(x, 43.0, datetime.fromtimestamp(edge, zone).strftime("%d %b %H:%M"), 7.5, anchor))
    return draw.svg(WIDTH, 46.0, out, "states of the loop over the period")


def strip_key() -> Markup:
    """What the strip means."""
    out: list[Markup] = []
    x = 1.0
    for state, (fill, high) in GREYS.items():
        out += [draw.rect(x, 30.0 - high, 14.0, high, fill, 0.5), draw.text(x + 18.0, 29.0, state.value, 7.5, "start")]
        x += 30.0 + 4.6 * len(state.value)
    return draw.svg(WIDTH, 33.0, out, "what the heights mean")
