"""Floods of alerts: when more come than people can read, single ones are told no longer, only that there is a flood.

Source: a flood begins above 10 alarms in 10 min and ends below 5 in 10 min (ISA-18.2 clause 16, second-hand).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

WINDOW_S = 600
BEGINS_ABOVE, ENDS_BELOW = 10, 5
BUCKET_S = 10


@dataclass(slots=True)
class Flood:
    """How many alerts came of late, and since when there is a flood (None: there is none)."""

    buckets: dict[int, int] = field(default_factory=dict)
    since: float | None = None
    causes: dict[str, int] = field(default_factory=dict)
    """Alerts by cause since the flood began."""
    told: list[str] = field(default_factory=list)
    """Causes of which one was told by name, of late or in spite of the flood."""
    _pruned: int | None = None

    def recent(self, now: float) -> int:
        """Alerts in the last ten minutes; those that lie ahead were counted before the clock stepped back."""
        bucket = int(now) // BUCKET_S
        if bucket == self._pruned:
            return sum(self.buckets.values())
        first, self._pruned = bucket - WINDOW_S // BUCKET_S, bucket
        self.buckets = {key: count for key, count in self.buckets.items() if first < key <= bucket}
        return sum(self.buckets.values())

    def add(self, now: float, cause: str) -> bool:
        """Count an alert; whether a flood begins with it."""
        bucket = int(now) // BUCKET_S
        self.buckets[bucket] = self.buckets.get(bucket, 0) + 1
        recent = self.recent(now)
        begins = self.since is None and recent > BEGINS_ABOVE
        if begins:
            self.since, self.causes = now, {}
        elif self.since is None and recent == 1:
            self.told = []
        if self.since is not None:
            self.causes[cause] = self.causes.get(cause, 0) + 1
        return begins

    def over(self, now: float) -> bool:
        """Whether a flood ends at this moment."""
        if self.since is None or self.recent(now) >= ENDS_BELOW:
            return False
        self.since = None
        return True

    def plain(self) -> dict[str, Any]:
        """What a restart needs."""
        buckets = {str(key): count for key, count in self.buckets.items()}
        return {"buckets": buckets, "since": self.since, "causes": self.causes, "told": self.told}


def flood_of(plain: dict[str, Any] | None) -> Flood:
    """From what `plain` gave; nothing is no flood."""
    if not plain:
        return Flood()
    buckets = {int(key): int(count) for key, count in plain["buckets"].items()}
    return Flood(buckets, plain["since"], dict(plain["causes"]), list(plain["told"]))
