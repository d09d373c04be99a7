"""The 4-20 mA signal: current, part of span, raw counts, flow; and the levels of NAMUR NE 43.

IEC 60381-1: 4 mA is 0 %, 20 mA is 100 % (from memory). NE 43: measuring 3.8 to 20.5 mA, failure at most 3.6 or at least
21.0 mA (second-hand, several pages agree); between the two bands the last class stands.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from config.limits import CurrentLimit
from config.model import FlowRange, RawSpan

Floats = NDArray[np.float64]
Value = TypeVar("Value", float, Floats)

LIVE_ZERO_MA = 4.0
SPAN_MA = 16.0


def current_of(flow: Value, scale: FlowRange) -> Value:
    """Current [mA] that a linear output carries for a flow [t/h], without limits."""
    return LIVE_ZERO_MA + SPAN_MA * (flow - scale.low) / (scale.high - scale.low)


def flow_of(current: Value, scale: FlowRange) -> Value:
    """Flow [t/h] of a current [mA]."""
    return scale.low + (scale.high - scale.low) * (current - LIVE_ZERO_MA) / SPAN_MA


def raw_of(current: Value, span: RawSpan) -> Value:
    """Raw counts of a current [mA], not rounded."""
    return span.low + (span.high - span.low) * (current - LIVE_ZERO_MA) / SPAN_MA


def current_of_raw(raw: Value, span: RawSpan) -> Value:
    """Current [mA] of raw counts."""
    return LIVE_ZERO_MA + SPAN_MA * (raw - span.low) / (span.high - span.low)


def limited(current: Value, low: float = 3.8, high: float = 20.5) -> Value:
    """The current [mA] that an output with these limits sends."""
    out = np.clip(current, low, high)
    return float(out) if np.ndim(current) == 0 else out  # type: ignore[return-value]


class Level(StrEnum):
    """What a current says by its level."""

    FAILURE_LOW = "failure low"
    MEASURING = "measuring"
    FAILURE_HIGH = "failure high"


def level(current: float, before: Level, limit: CurrentLimit) -> Level:
    """Level of a current [mA]; in the bands between measuring and failure the level before stands. NaN keeps it too."""
    if current <= limit.failure_low:
        return Level.FAILURE_LOW
    if current >= limit.failure_high:
        return Level.FAILURE_HIGH
    if limit.measuring_low <= current <= limit.measuring_high:
        return Level.MEASURING
    return before


def loop_milliamps(columns: dict[str, Floats], span: RawSpan) -> Floats | None:
    """The current of the loop [mA] from the best role there is: an own measurement, else the raw counts of the card."""
    if "loop_current" in columns:
        return columns["loop_current"]
    if "ai_raw" in columns:
        return current_of_raw(columns["ai_raw"], span)
    return None
