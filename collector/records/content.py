"""What every record holds, whatever its kind: typed, frozen, finite; a record that does not fit its form is never numbered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from importlib.metadata import version
from typing import Annotated, Any, ClassVar, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from checks.accounting.calendar import Period
from config.errors import StoreError

CONTENT: Literal[1] = 1
"""Version of the content of records."""

Number = Annotated[float, Field(allow_inf_nan=False)]
Maybe = Number | None
Text = Annotated[str, Field(max_length=4000)]


def _one_line(text: str) -> str:
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    if not line:
        raise ValueError("nothing is written here")
    return line


Name = Annotated[str, Field(max_length=400), AfterValidator(_one_line)]
"""A name or a reason: one line, not empty."""


class Part(BaseModel):
    """Base of every part: frozen, unknown keys refused, only finite numbers."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Signature(Part):
    """One line to sign. `name`, `role` and `date` are empty where they are written by hand."""

    what: Name
    name: str = ""
    role: str = ""
    date: str = ""


SIGNED_BY = (Signature(what="done by"), Signature(what="checked by"))


class Span(Part):
    """The time a record is about: `begin` up to `end` (exclusive), epoch seconds; `name` as people call it."""

    kind: Literal["shift", "day", "month", "time"]
    name: Name
    begin: int
    end: int
    note: str = ""

    @model_validator(mode="after")
    def _has_length(self) -> Span:
        if self.end <= self.begin:
            raise ValueError("the time does not end after it begins")
        return self


def span_of(period: Period) -> Span:
    """A period of accounting as the time of a record."""
    return Span(kind=period.kind, name=period.name, begin=period.begin, end=period.end, note=period.note)


class Head(Part):
    """Base of every kind. `made` is the date [epoch s], `by` who asked for it, `schedule` the entry of the site file or ''."""

    TITLE: ClassVar[str] = "record"

    content: Literal[1] = CONTENT
    kind: str
    site: Name
    site_title: str = ""
    time_zone: Name
    site_sha256: str = ""
    software: Name
    loops: tuple[Name, ...] = Field(min_length=1)
    loop_title: str = ""
    made: Number
    by: Name
    schedule: str = ""
    signatures: tuple[Signature, ...] = SIGNED_BY

    @model_validator(mode="after")
    def _zone_is_known(self) -> Head:
        try:
            ZoneInfo(self.time_zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError(f"{self.time_zone!r} is no IANA time zone") from error
        return self


def plain(content: Head) -> dict[str, Any]:
    """The content as plain values for the chain of hashes."""
    return content.model_dump(mode="json")


def head_of(site: str, title: str, zone: str, sha256: str, loops: Sequence[str], loop_title: str = "") -> dict[str, Any]:
    """The fields of `Head` that follow from the site, with the version of this program."""
    return {
        "site": site, "site_title": title, "time_zone": zone, "site_sha256": sha256, "loops": tuple(loops),
        "loop_title": loop_title, "software": f"tallywire {version('tallywire')}",
    }  # fmt: skip


def told(error: ValidationError, what: str) -> StoreError:
    """The first thing that is wrong with a content, as one message."""
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    message = first["msg"].removeprefix("Value error, ")
    return StoreError(
        f"this {what} cannot be recorded: {message}", where=where or what, fix="correct this value and record it again"
    )


def local(time_s: float, zone: str) -> str:
    """A time in the zone of the site, to the second, with the name or offset of the zone."""
    stamp = datetime.fromtimestamp(time_s, ZoneInfo(zone))
    name = stamp.strftime("%Z")
    return stamp.strftime("%Y-%m-%d %H:%M:%S ") + (f"UTC{name}" if name[:1] in "+-" else name)


def field_of(raw: Mapping[str, Any], name: str, default: str = "") -> str:
    """A text of a content as it was read back, `default` where it is none."""
    value = raw.get(name, default)
    return value if isinstance(value, str) else default
