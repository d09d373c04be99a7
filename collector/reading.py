"""A reading: one value of one tag with its times and its quality, as it came off the wire."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from checks.samples import BAD, GOOD, UNCERTAIN

__all__ = ["BAD", "GOOD", "UNCERTAIN", "Reading", "ReadingSink"]


class Reading(NamedTuple):
    """One value of one tag. A tuple, because some ten thousand a second are made on a wide site.

    `value` is in the canonical unit of the role, NaN where `quality` is bad. `source_time` is what the device says
    (None where it says nothing, as always with Modbus), `receive_time` ours; both epoch seconds UTC. `reason` says in a
    word why a reading is not good ("timeout", "invalid marker", "BadDeviceFailure", "not finite", "exception 2").
    `raw` holds the registers (Modbus) or the undecoded number (OPC UA) for the tag page.
    """

    loop: str
    role: str
    value: float
    quality: int
    receive_time: float
    source_time: float | None = None
    reason: str = ""
    raw: tuple[float, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether the value may be computed with."""
        return self.quality != BAD and math.isfinite(self.value)


ReadingSink = Callable[[Sequence[Reading]], None]
"""Takes the readings of one poll of one endpoint; never blocks."""
