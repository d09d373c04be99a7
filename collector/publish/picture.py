"""What is published of a loop: one small picture, the same for every protocol, with its numbers for verdicts and links.

The numbers are part of the interface: they never change their meaning, and a new one is added at the end.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any

from checks.ne107 import Status
from checks.result import Link, Verdict

VERDICTS: dict[Verdict, int] = {Verdict.NOT_EVALUATED: 0, Verdict.OK: 1, Verdict.SUSPECT: 2, Verdict.FAULT: 3}

STATUSES: dict[Status | None, int] = {
    None: 0,
    Status.GOOD: 1,
    Status.MAINTENANCE_REQUIRED: 2,
    Status.OUT_OF_SPECIFICATION: 3,
    Status.FUNCTION_CHECK: 4,
    Status.FAILURE: 5,
}

LINKS: dict[Link | None, int] = {
    None: 0,
    Link.COUNTS: 1,
    Link.LOAD: 2,
    Link.DRIVE: 3,
    Link.GAUGE_OUTPUT: 4,
    Link.CURRENT: 5,
    Link.INPUT_CARD: 6,
    Link.SCALING_BLOCK: 7,
    Link.TOTALS: 8,
    Link.COMMUNICATION: 9,
    Link.SETUP: 10,
}

VERDICT_WORDS = tuple(verdict.words for verdict in VERDICTS)
STATUS_WORDS = tuple("none" if status is None else status.words for status in STATUSES)
LINK_WORDS = tuple("none" if link is None else link.value for link in LINKS)


class Quality(StrEnum):
    """How far what stands in a picture may be believed."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    WAITING = "waiting"
    """There is no evaluation yet."""
    STALE = "stale"
    """The data of the loop, or the service, are silent."""

    @property
    def bad(self) -> bool:
        """Whether nothing may be done with the values."""
        return self in (Quality.WAITING, Quality.STALE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A loop as it is published.

    `verdict`, `status` and `link` are numbers of `VERDICTS`, `STATUSES` and `LINKS`; `link` is the first that deviates, 0 where
    none does; `cause` an id of the catalogue, '' where none is known. `deviation_t_h` [t/h] and `deviation_span` [%] belong to that
    link, else to the scaling block; None where the data say nothing. `agrees_since` and `time` are epoch seconds, None where it does
    not agree, or was never evaluated. `fit` is true only where nothing at all is in doubt; `reason` says in words why it is not.
    """

    loop: str
    title: str
    span_t_h: float
    quality: Quality
    verdict: int = 0
    status: int = 0
    link: int = 0
    cause: str = ""
    deviation_t_h: float | None = None
    deviation_span: float | None = None
    agrees_since: float | None = None
    fit: bool = False
    reason: str = ""
    time: float | None = None


def silenced(picture: Picture, reason: str) -> Picture:
    """What is left of a picture when nothing new comes: nothing that could be taken for a verdict."""
    return replace(
        picture, quality=Quality.STALE, verdict=0, status=0, link=0, cause="", deviation_t_h=None, deviation_span=None,
        agrees_since=None, fit=False, reason=reason,
    )  # fmt: skip


def to_line(beat: int, time: float, pictures: Iterable[Picture]) -> bytes:
    """One line for the child: the number of the beat, the time of the service [epoch s], every loop."""
    told = {"beat": beat, "time": time, "loops": [asdict(picture) for picture in pictures]}
    return json.dumps(told, separators=(",", ":"), allow_nan=False).encode() + b"\n"


def from_line(line: bytes) -> tuple[int, float, list[Picture]]:
    """What `to_line` made."""
    told: dict[str, Any] = json.loads(line)
    pictures = [Picture(**{**raw, "quality": Quality(raw["quality"])}) for raw in told["loops"]]
    return int(told["beat"]), float(told["time"]), pictures
