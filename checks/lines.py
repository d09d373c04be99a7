"""The lines of the chain: which two stations are compared, on which scale, and which rows may serve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from checks.blocks import STATES, Blocks
from checks.result import Link
from config.model import FlowRange, Loop, RawSpan

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CEILING_MA = 20.4
"""Above this the signal may be limited (NAMUR NE 43 limits measuring values at 20.5 mA)."""
FLOOR_MA = 3.81
NEGATIVE = 0.008
"""A mean flow this far below the low end [parts of span] is limited by the output, which sends 3.8 mA at least (NE 43)."""
LARGEST_SIGNED = 32767.0
"""Largest count of a word of 16 bit with a sign."""
LIMITED = 0.035
"""A PLC flow this far above its range [parts of span] is not held by a limit (20.5 mA is 3.1 %)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Turns a tag's value into t/h: value * `gain` + `offset`."""

    gain: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One comparison. Both stations are put into t/h on the scale `low`..`high` (flow at 4 and 20 mA).

    `covers` are all links between the two stations: what a deviation can lie in. `words` names them for people, `unit`
    is that of the shown tag, `shown` and `demanded` its scales back from t/h.
    """

    link: Link
    covers: tuple[Link, ...]
    label: str
    words: str
    unit: str
    x_role: str
    y_role: str
    x: Scale
    y: Scale
    low: float
    high: float

    @property
    def span(self) -> float:
        """Span of the scale [t/h]."""
        return self.high - self.low

    @property
    def analogue(self) -> bool:
        """Whether the shown tag is a current or raw counts."""
        return self.y_role != "plc_flow"

    def ma(self, flow: float) -> float:
        """A flow on the scale of the line, as mA."""
        return 4.0 + 16.0 * (flow - self.low) / self.span

    def native(self, flow: float) -> float:
        """A flow as the shown tag would show it, in `unit`."""
        return (flow - self.y.offset) / self.y.gain


def ranges(loop: Loop, settings: Mapping[str, float]) -> tuple[FlowRange, FlowRange]:
    """The ranges that the gauge and the PLC are held against: declared, or read back where both ends agree."""
    gauge, plc = loop.gauge.range, loop.plc.range
    found = [settings.get(f"{end}_range_{side}") for end in ("gauge", "plc") for side in ("low", "high")]
    if found[1] is None or found[3] is None:
        return gauge, plc
    gauge_low = gauge.low if found[0] is None else found[0]
    plc_low = plc.low if found[2] is None else found[2]
    close = 0.0005 * abs(gauge.high - gauge.low)
    if abs(gauge_low - plc_low) < close and abs(found[1] - found[3]) < close and found[1] - gauge_low > close:
        both = FlowRange(low=gauge_low, high=found[1])
        return both, both
    return gauge, plc


def _from_ma(low: float, high: float) -> Scale:
    gain = (high - low) / 16.0
    return Scale(gain=gain, offset=low - 4.0 * gain)


def _from_raw(raw_low: float, raw_high: float, low: float, high: float) -> Scale:
    gain = (high - low) / (raw_high - raw_low)
    return Scale(gain=gain, offset=low - raw_low * gain)


def chain(loop: Loop, settings: Mapping[str, float] = MappingProxyType({})) -> tuple[Line, ...]:
    """The lines that the roles of a loop allow, in the order of the chain; one for each link it can name.

    A `loop_current` that is not independent of the input card stands in for `ai_raw` where that is missing. Ranges are
    the declared ones; where both ends are read back and agree with each other, theirs (`settings`).
    """
    tags = loop.tags
    gauge, plc = ranges(loop, settings)
    lines: list[Line] = []
    ma = _from_ma(gauge.low, gauge.high)
    wire = [Link.GAUGE_OUTPUT, Link.CURRENT]
    if "gauge_output" in tags:
        lines.append(
            Line(
                link=Link.GAUGE_OUTPUT, covers=(Link.GAUGE_OUTPUT,), label="flow to gauge output", words="gauge output",
                unit="mA", x_role="flow", y_role="gauge_output", x=Scale(), y=ma, low=gauge.low, high=gauge.high,
            )
        )  # fmt: skip
    independent = "loop_current" in tags and tags["loop_current"].independent
    if independent:
        lines.append(
            Line(
                link=Link.CURRENT, covers=(Link.GAUGE_OUTPUT, Link.CURRENT), label="flow to loop current",
                words="output or loop", unit="mA", x_role="flow", y_role="loop_current",
                x=Scale(), y=ma, low=gauge.low, high=gauge.high,
            )
        )  # fmt: skip
    card = "ai_raw" if "ai_raw" in tags else "loop_current" if "loop_current" in tags and not independent else ""
    if card:
        raw = loop.plc.raw_span
        y = ma if card == "loop_current" else _from_raw(raw.low, raw.high, gauge.low, gauge.high)
        lines.append(
            Line(
                link=Link.INPUT_CARD, covers=(Link.INPUT_CARD,) if independent else (*wire, Link.INPUT_CARD),
                label="loop current to input card" if independent else "flow to input card",
                words="input card" if independent else "output, loop or card",
                unit="mA" if card == "loop_current" else "count", x_role="loop_current" if independent else "flow",
                y_role=card, x=ma if independent else Scale(), y=y, low=gauge.low, high=gauge.high,
            )
        )  # fmt: skip
    if "plc_flow" in tags:
        lines.append(_last(loop, gauge, plc, card, independent))
    return tuple(lines)


def _last(loop: Loop, gauge: FlowRange, plc: FlowRange, card: str, independent: bool) -> Line:
    raw = loop.plc.raw_span
    if card == "ai_raw":
        x_role, x = "ai_raw", _from_raw(raw.low, raw.high, plc.low, plc.high)
    elif card or independent:
        x_role, x = "loop_current", _from_ma(plc.low, plc.high)
    else:
        x_role, x = "flow", Scale()
    whole = x_role == "flow"
    covers = (
        (Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK)
        if whole
        else (Link.SCALING_BLOCK,)
        if card
        else (Link.INPUT_CARD, Link.SCALING_BLOCK)
    )
    return Line(
        link=Link.SCALING_BLOCK,
        covers=covers,
        label="flow to PLC flow" if whole else "input card to PLC flow" if card else "loop current to PLC flow",
        words="whole path: output, loop, card or scaling block"
        if whole
        else "scaling block"
        if card
        else "card or scaling block",
        unit="t/h",
        x_role=x_role,
        y_role="plc_flow",
        x=x,
        y=Scale(),
        low=gauge.low if whole else plc.low,
        high=gauge.high if whole else plc.high,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """Block rows of one line in t/h, shape (n,) each.

    `good`: both stations were read throughout. `steady`: belt running and settled, no maintenance or calibration.
    `high`: may be limited at the upper end, `x_high` by the station before. `low`: may be censored at the lower end
    (clamp, cut-off, live zero). `follows`: the row before is the one just before in time. `ends` (n, 4): x and y at the first
    sample of the row, x and y at its last.
    """

    start_s: NDArray[np.int64]
    length_s: int
    step_s: int
    x: Floats
    dx: Floats
    y: Floats
    x_min: Floats
    x_max: Floats
    y_min: Floats
    y_max: Floats
    good: Bools
    steady: Bools
    high: Bools
    low: Bools
    x_high: Bools
    declared_low: Bools
    follows: Bools
    ends: Floats

    def __len__(self) -> int:
        return len(self.start_s)


STATISTICS = ("mean", "minimum", "maximum", "first", "last")
UNSTEADY = tuple(STATES.index(state) for state in ("stopped", "maintenance", "calibrating", "unsettled", "explained"))


def rows_of(line: Line, blocks: Blocks, loop: Loop) -> Rows:
    """The rows of a line. Gains are positive, so the least value stays the least."""
    return rows_of_lines([line], blocks, loop)[0]


def rows_of_lines(lines: Sequence[Line], blocks: Blocks, loop: Loop) -> list[Rows]:
    """The rows of each of some lines in the same blocks."""
    steady = ~(blocks.state_s.T[list(UNSTEADY)] != 0.0).any(axis=0)
    follows = np.zeros(len(blocks), np.bool_)
    follows[1:] = blocks.start_s[1:] - blocks.start_s[:-1] == blocks.length_s
    return [_rows(line, blocks, loop, steady, follows) for line in lines]


def _rows(line: Line, blocks: Blocks, loop: Loop, steady: Bools, follows: Bools) -> Rows:
    x, x_min, x_max, x_first, x_last = _scaled(blocks, line.x_role, line.x)
    y, y_min, y_max, y_first, y_last = _scaled(blocks, line.y_role, line.y)
    full = 0.9 * blocks.length_s / blocks.step_s
    good = (blocks.of("n", line.x_role) >= full) & (blocks.of("n", line.y_role) >= full)
    span = line.span
    ends = line.y_role == "ai_raw" and _is_last_code(loop.plc.raw_span.high)
    top = line.high + (CEILING_MA - 20.0) / 16.0 * span if line.analogue and not ends else line.high
    top -= 0.002 * span
    bottom = line.low + (FLOOR_MA - 4.0) / 16.0 * span
    with np.errstate(invalid="ignore"):
        x_high = x_max > top
        high = x_high | ((y_max > top) if line.analogue else (y_max > top) & (y_max < line.high + LIMITED * span))
        declared = _declared_low(line, loop, x_min, x_max)
        if line.x_role == "flow":
            declared |= x < line.low - NEGATIVE * span
        low = declared | (x_min < bottom) | (y_min < bottom)
        if not line.analogue:
            low |= (np.abs(y_min) < 1e-9) & ((x_max - x_min > 1e-9) | (np.abs(x_min) > 1e-9))
    return Rows(
        start_s=blocks.start_s, length_s=blocks.length_s, step_s=blocks.step_s, x=x, dx=x_last - x_first, y=y, x_min=x_min,
        x_max=x_max, y_min=y_min, y_max=y_max, good=good, steady=good & steady, high=high, low=low, x_high=x_high,
        declared_low=declared, follows=follows, ends=np.array([x_first, y_first, x_last, y_last]).T,
    )  # fmt: skip


def _scaled(blocks: Blocks, role: str, scale: Scale) -> Floats:
    """Each of STATISTICS of a role in t/h, shape (5, B)."""
    column = blocks.index(role)
    if column is None:
        return np.full((len(STATISTICS), len(blocks)), np.nan)
    values: Floats = np.array([getattr(blocks, statistic)[:, column] for statistic in STATISTICS])
    values *= scale.gain
    values += scale.offset
    return values


def _is_last_code(raw: float) -> bool:
    """Whether a raw count is the last one of its word (one below a power of two): the card cannot show more than its span."""
    code = round(raw) + 1
    return code > 1 and code & (code - 1) == 0


def _is_unsigned(raw: RawSpan) -> bool:
    """Whether the span of raw counts begins at zero and needs the last bit of its word: the card shows nothing below 4 mA."""
    return raw.low == 0.0 and raw.high > LARGEST_SIGNED


def _declared_low(line: Line, loop: Loop, x_min: Floats, x_max: Floats) -> Bools:
    """Rows that a clamp or cut-off of the site file is meant to touch; an exactly constant flow at the low end is not one."""
    out = np.zeros(len(x_min), np.bool_)
    constant = x_max - x_min < 1e-9
    cutoff = 0.0
    if not line.analogue:
        cutoff = loop.plc.low_cutoff
        if loop.plc.clamp_at_zero:
            out |= x_min < 0.0
    if line.x_role == "flow":
        cutoff = max(cutoff, loop.gauge.low_cutoff)
    if line.y_role in ("ai_raw", "plc_flow") and line.x_role != "ai_raw" and _is_unsigned(loop.plc.raw_span):
        out |= x_min < line.low
    if cutoff > 0.0:
        out |= (x_min < cutoff) & ~constant
    return out
