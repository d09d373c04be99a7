"""The chain of a plant without noise, damping and time: what each station makes of a flow that stands."""

from __future__ import annotations

import math

from checks.lines import Line
from deploy.plant.spec import LoopSpec


def station(spec: LoopSpec, role: str, flow: float) -> float:
    """What a station shows of a standing flow of the gauge [t/h], in its own unit."""
    gauge, wire, card, block = spec.gauge, spec.wire, spec.card, spec.block
    if role == "flow":
        return flow
    output = 4.0 + 16.0 * (flow - gauge.range_low) / (gauge.range_high - gauge.range_low)
    if role == "gauge_output":
        return output
    sent = 4.0 + wire.trim_gain * (output - 4.0) + wire.trim_offset
    current = min(sent, wire.ceiling) * wire.gain + wire.offset
    if role == "loop_current":
        return current
    raw = card.gain * card.full_raw * (current - card.zero_current) / (card.full_current - card.zero_current)
    if role == "ai_raw":
        return raw
    part = (raw - block.raw_low) / (block.raw_high - block.raw_low)
    part = math.sqrt(max(part, 0.0)) if block.square_root else part
    return block.factor * (block.range_low + (block.range_high - block.range_low) * part)


def implied_range(spec: LoopSpec, line: Line) -> tuple[float, float]:
    """The range that the shown side of a line really behaves as if it had [t/h], from two flows inside the range."""
    flows = [spec.gauge.range_low + part * spec.span for part in (0.3, 0.7)]
    x = [line.x.gain * station(spec, line.x_role, flow) + line.x.offset for flow in flows]
    y = [line.y.gain * station(spec, line.y_role, flow) + line.y.offset for flow in flows]
    gain = (y[1] - y[0]) / (x[1] - x[0])
    offset = y[0] - gain * x[0]
    if line.analogue:
        return (line.low - offset) / gain, (line.high - offset) / gain
    return offset + gain * line.low, offset + gain * line.high
