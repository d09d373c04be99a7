"""What REST answers about records, and what it takes."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from collector.records.book import Line, Record, Verified
from collector.web.schemas import Answer, Loop
from collector.web.words import iso
from config.cautions import CAUTIONS

HASH = "5d1f0c2a9b7e4d3386a0f1e2c4b5a697880123456789abcdef0123456789abcd"
Number = Annotated[int, Field(ge=1, examples=[12])]
Sha256 = Annotated[str, Field(description="SHA-256, hexadecimal", examples=[HASH])]
By = Annotated[
    str,
    Field(
        max_length=400,
        description="who acts; where people sign in it is their account, whatever stands here",
        examples=["R. Sandhu"],
    ),
]


class RecordLineOut(Answer):
    """A record in one line."""

    number: Number
    kind: str = Field(examples=["chain report"])
    loops: list[str] = Field(examples=[["TB-07"]])
    period: str = Field(description="as people call it; empty where it is about no time", examples=["2026-03-02 06:00"])
    begin: str | None = Field(examples=["2026-03-02T12:00:00Z"])
    end: str | None = Field(examples=["2026-03-02T20:00:00Z"])
    made: str | None = Field(examples=["2026-03-02T20:05:00Z"])
    by: str = Field(examples=["R. Sandhu"])
    sha256: Sha256


class RecordOut(Answer):
    """A record. `sha256` is that of the hash before, the number and the content; `content` as it was recorded, times in epoch s."""

    number: Number
    kind: str = Field(examples=["chain report"])
    content_sha256: Sha256
    before: Sha256
    sha256: Sha256
    content: dict[str, Any] = Field(examples=[{"kind": "chain report", "loops": ["TB-07"], "by": "R. Sandhu"}])
    cautions: list[str]


class VerifiedOut(Answer):
    """Whether the chain of records is unbroken; else the first number at which it breaks, and why."""

    unbroken: bool = Field(examples=[True])
    records: int = Field(examples=[412])
    newest: Sha256 | None
    breaks_at: int | None = Field(examples=[None])
    reason: str = Field(examples=[""])


class PeriodIn(BaseModel):
    """A time of the site's calendar."""

    model_config = ConfigDict(extra="forbid")

    kind: Literal["shift", "day", "month"] = Field(examples=["shift"])
    name: str = Field(
        max_length=40, description="2026-03-02 06:00 (begin of the shift), 2026-03-02 or 2026-03", examples=["2026-03-02 06:00"]
    )


class ReportIn(BaseModel):
    """Which chain report is wanted, and who asks for it."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [{"loop": "TB-07", "period": {"kind": "shift", "name": "2026-03-02 06:00"}, "by": "R. Sandhu"}]
        },
    )

    loop: Loop
    period: PeriodIn
    by: By = ""


class RestateIn(BaseModel):
    """Why the figures of a report change, and who says so."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"by": "K. Weber", "reason": "uptime corrected: the belt was changed"}]}
    )

    by: By = ""
    reason: str = Field(max_length=2000)


def line(item: Line) -> RecordLineOut:
    """One line of the list."""
    return RecordLineOut(
        number=item.number, kind=item.kind, loops=list(item.loops), period=item.period, begin=iso(item.begin),
        end=iso(item.end), made=iso(item.made), by=item.by, sha256=item.sha256,
    )  # fmt: skip


def record(item: Record) -> RecordOut:
    """A whole record."""
    return RecordOut(
        number=item.number, kind=item.kind, content_sha256=item.content_sha256, before=item.before, sha256=item.sha256,
        content=item.raw, cautions=list(CAUTIONS),
    )  # fmt: skip


def verified(found: Verified) -> VerifiedOut:
    """What the walk along the chain found."""
    broken = found.broken
    return VerifiedOut(
        unbroken=broken is None, records=found.count, newest=found.newest.sha256 if found.newest else None,
        breaks_at=None if broken is None else broken.number, reason="" if broken is None else broken.reason,
    )  # fmt: skip
