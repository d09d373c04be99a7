"""A survey as plain values: for JSON, for the disk, and for the page that shows it later."""

from __future__ import annotations

import math
from typing import Any

from collector.commissioning.survey import Survey
from collector.commissioning.survey_text import what_now, where_of
from collector.commissioning.surveyed import Surveyed
from config.roles import ROLES


def as_dict(found: Survey) -> dict[str, Any]:
    """The survey; a number that is none is None."""
    return {
        "site": found.site,
        "failures": found.failures,
        "requests": found.requests,
        "hints": [
            {"loop": hint.loop, "role": hint.role, "what": hint.what, "lines": list(hint.lines), "wrong": hint.wrong}
            for hint in found.hints
        ],
        "agreed_flow_t_h": {loop: None if agreed is None else agreed[0] for loop, agreed in found.agreed.items()},
        "agreed_by": {loop: [] if agreed is None else list(agreed[1]) for loop, agreed in found.agreed.items()},
        "tags": [_tag(item) for item in found.tags],
    }


def _tag(item: Surveyed) -> dict[str, Any]:
    return {
        "loop": item.loop, "role": item.role, "value": _finite(item.value), "unit": ROLES[item.role].unit, "where": where_of(item),
        "quality": item.reading.quality, "reason": item.reading.reason, "raw": [_finite(number) for number in item.reading.raw],
        "source_time": item.reading.source_time, "registers": {str(address): word for address, word in item.registers.items()},
        "orders": {order: _finite(number) for order, number in item.orders().items()}, "said_unit": item.said_unit,
        "said_range": None if item.said_range is None else [_finite(end) for end in item.said_range], "odd": item.odd,
        "expected": None if item.expected is None else item.expected.value,
        "suggestions": [suggestion.words() for suggestion in item.suggestions],
        "gives": [_finite(suggestion.value) for suggestion in item.suggestions],
        "else": what_now(item) if item.odd and not item.suggestions else "",
    }  # fmt: skip


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
