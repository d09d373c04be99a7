"""The way from what the PLC booked to the best estimate as a picture: a row a cause, each as long as its tonnes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from checks.accounting.bridge import NOT_EXPLAINED, Bridge
from collector.accounts.words import tonnes
from collector.web.drawing import Label, nice_ticks

Place = Callable[[float], float]

WIDTH, LEFT, RIGHT = 720.0, 8.0, 8.0
ROW, TOP, FOOT = 50.0, 6.0, 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One row in picture coordinates: `mark` is a total that stands at a place, else a bar from `x` of this width."""

    name: str
    value: str
    y: float
    x: float
    width: float
    mark: bool
    css: str
    whisker: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BridgePicture:
    """What the template needs: rows, the places at which they meet, and the scale below [t]."""

    height: float
    bars: tuple[Bar, ...]
    joints: tuple[tuple[float, float, float], ...]
    """x, from y, to y."""
    ticks: tuple[Label, ...]
    foot: float


def draw(found: Bridge, uncertainty: float) -> BridgePicture:
    """Draw a bridge: PLC total, less each cause, less what is not explained, is the best estimate with its uncertainty (k = 2) [t].

    The scale need not begin at zero: totals are marks, only differences have length.
    """
    levels = [found.booked]
    for step in found.by_cause:
        levels.append(levels[-1] - step.tonnes)
    ticks = nice_ticks(min(*levels, found.best - uncertainty), max(*levels, found.best + uncertainty))
    low, high = ticks[0], ticks[-1]

    def x(value: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * (value - low) / (high - low), 1)

    bars = [_mark("PLC total", found.booked, x, 0)]
    for number, step in enumerate(found.by_cause, start=1):
        ends = sorted((x(levels[number - 1]), x(levels[number])))
        css = "rest" if step.name == NOT_EXPLAINED else "high" if step.tonnes > 0.0 else "low"
        wide = "" if step.uncertainty is None else f" ± {tonnes(step.uncertainty)}"
        bars.append(
            Bar(
                name=step.name, value=f"{tonnes(step.tonnes, signed=True)}{wide} t", y=_y(number), x=ends[0],
                width=max(round(ends[1] - ends[0], 1), 1.0), mark=False, css=css,
            )
        )  # fmt: skip
    last = _mark("best estimate", found.best, x, len(found.by_cause) + 1, uncertainty)
    joints = tuple((x(level), _y(number) + 32, _y(number + 1) + 32) for number, level in enumerate(levels))
    height = TOP + ROW * (len(bars) + 1) + FOOT
    # Labels at the ends of the scale hang over: they are left out.
    labels = tuple(Label(x(tick), height - 8, tonnes(tick).removesuffix(".0")) for tick in ticks[1:-1])
    return BridgePicture(height=height, bars=(*bars, last), joints=joints, ticks=labels, foot=height - FOOT)


def _y(number: int) -> float:
    return TOP + ROW * number


def _mark(name: str, value: float, x: Place, number: int, wide: float | None = None) -> Bar:
    text = f"{tonnes(value)} t" if wide is None else f"{tonnes(value)} ± {tonnes(wide)} t"
    whisker = None if wide is None else (x(value - wide), x(value + wide))
    return Bar(name=name, value=text, y=_y(number), x=x(value), width=0.0, mark=True, css="total", whisker=whisker)
