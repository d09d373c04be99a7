"""The catalogue of causes: data, one module a family, one registry."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
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
from checks.causes.signatures import SIGNATURES

FAMILIES = (
    range, units, loop, card, tags, detector, decay, tare, temperature, calibration, speed, totals, communication, people,
)  # fmt: skip


@cache
def registry() -> Mapping[str, Cause]:
    """Every cause by its id, in the order of the families."""
    return MappingProxyType(
        {cause.id: replace(cause, signature=SIGNATURES.get(cause.id, "")) for family in FAMILIES for cause in family.CAUSES}
    )


def families() -> tuple[tuple[str, tuple[Cause, ...]], ...]:
    """The causes by family, each with the words that its module begins with."""
    known = registry()
    return tuple(
        (
            (family.__doc__ or "").strip().rstrip(".").removeprefix("Causes in "),
            tuple(known[cause.id] for cause in family.CAUSES),
        )
        for family in FAMILIES
    )
