"""Failures by cause and by failure mode, in hours of required time and in tonnes, the largest first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from checks.causes import registry
from checks.reliability.timeline import Interval, Outage


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """One cause: how often it failed, hours of required time it took, tonnes mis-stated (sum of amounts, None where unknown).

    `mode` is the ISO 14224 code of the catalogue, UNK where the cause is unknown.
    """

    cause: str
    mode: str
    count: int
    hours: float
    tonnes: float | None


def pareto(outages: Sequence[Outage], intervals: Iterable[Interval]) -> tuple[Share, ...]:
    """Shares by cause. Hours come from the timeline, where the worse of two findings has the second, so none counts twice."""
    hours: dict[str, float] = {}
    for item in intervals:
        if item.cause and item.required:
            hours[item.cause] = hours.get(item.cause, 0.0) + (item.end - item.begin) / 3600.0
    known = registry()
    out = []
    for cause in {item.cause for item in outages if item.failed} | hours.keys():
        here = [item for item in outages if item.cause == cause and item.failed]
        tonnes = [abs(item.tonnes) for item in here if item.tonnes is not None]
        out.append(
            Share(
                cause=cause, mode=known[cause].mode.value if cause in known else "UNK", count=len(here),
                hours=hours.get(cause, 0.0), tonnes=sum(tonnes) if tonnes else None,
            )
        )  # fmt: skip
    return tuple(sorted(out, key=lambda share: (-share.hours, -(share.tonnes or 0.0), share.cause)))
