"""Every check, and how often it is asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from checks import counts, current, freshness, scaling, setup, speed, temperature, totals
from checks.result import CheckResult, Link
from checks.window import Window


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its name, the link that a failure of the check itself is shown at, and the function."""

    name: str
    link: Link
    check: Callable[[Window], list[CheckResult]]


EVERY_BLOCK: tuple[Check, ...] = (
    Check("freshness", Link.COMMUNICATION, freshness.check),
    Check("counts", Link.COUNTS, counts.check),
    Check("temperature", Link.COUNTS, temperature.check),
    Check("speed", Link.DRIVE, speed.check),
    Check("current", Link.CURRENT, current.check),
    Check("setup", Link.SETUP, setup.check),
    Check("scaling", Link.SCALING_BLOCK, scaling.check),
)
"""Asked at the end of every block."""

EVERY_MINUTE: tuple[Check, ...] = (Check("totals", Link.TOTALS, totals.check),)
"""Asked at the end of every whole minute (UTC); the answer stands in between."""
