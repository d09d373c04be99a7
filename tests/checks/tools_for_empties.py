"""Entries of the empties ledger made by hand."""

from __future__ import annotations

import math
from typing import Any

from checks.empties import EmptyStretch


def stretch(start_s: int, **changes: Any) -> EmptyStretch:
    """A sound ten-minute stretch of 5,140 1/s net on 60 1/s background at 1.9 m/s, belt of 240 m."""
    seconds = float(changes.pop("seconds", 4 * 240.0 / 1.9))
    fields: dict[str, Any] = {
        "start_s": start_s, "end_s": start_s + round(seconds), "known_s": start_s + round(seconds) + 10, "seconds": seconds,
        "turns": 4.0, "ln_net": math.log(5140.0), "se": math.sqrt(5200.0 / seconds) / 5140.0, "flow": 0.0, "plc_flow": 0.0,
        "hidden": False, "temperature": 26.0, "product": 1.0, "speed": 1.9, "tare_rate": 5200.0, "load_error": 0.0,
        "running_s": 3600.0, "loaded_s": 3000.0,
    }  # fmt: skip
    return EmptyStretch(**(fields | changes))
