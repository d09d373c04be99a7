"""Tags as people see them: value, quality, age, and where they are read."""

from __future__ import annotations

from dataclasses import dataclass

from collector.live import LiveState
from collector.reading import Reading
from config.model import RecordedTag, Tag
from config.roles import ROLES

LEAST_STALE_S = 3.0
"""A reading is never called stale before this age [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TagRow:
    """One tag of the tag page. `age_s` None where it was never read."""

    loop: str
    role: str
    meaning: str
    unit: str
    tag: Tag
    reading: Reading | None
    age_s: float | None
    stale: bool


def of_loop(live: LiveState, loop_id: str, now: float) -> list[TagRow]:
    """The tags of a loop as they were last read."""
    loop = live.site.loops[loop_id]
    rows = []
    for role, tag in loop.tags.items():
        reading = live.readings.get((loop_id, role))
        age = None if reading is None else now - reading.receive_time
        source = None if isinstance(tag, RecordedTag) else live.site.endpoints.get(tag.endpoint)
        period = tag.period or (source.period if source else 1.0)
        known = ROLES.get(role)
        rows.append(
            TagRow(
                loop=loop_id,
                role=role,
                meaning=known.meaning if known else "",
                unit=known.unit if known else "",
                tag=tag,
                reading=reading,
                age_s=age,
                stale=age is not None and age > max(loop.limits.freshness.periods * period, LEAST_STALE_S),
            )
        )
    return rows
