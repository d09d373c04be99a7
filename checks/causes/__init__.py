"""The catalogue of causes: data, one module a family, one registry."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from checks.causes import (
    calibration,
    card,
    communication,
    decay,
    detector,
    loop,
    people,
    range,
    speed,
    tags,
    tare,
    temperature,
    totals,
    units,
)
from checks.causes.cause import Cause

FAMILIES = (
    range, units, loop, card, tags, detector, decay, tare, temperature, calibration, speed, totals, communication, people,
)  # fmt: skip


@cache
def registry() -> Mapping[str, Cause]:
    """Every cause by its id, in the order of the families."""
    return MappingProxyType({cause.id: cause for family in FAMILIES for cause in family.CAUSES})
