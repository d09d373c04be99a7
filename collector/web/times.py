"""Times as clients give them: a moment, a stretch."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated

from fastapi import HTTPException, Query

LONGEST_SPAN = 3 * 366 * 86400

From = Annotated[str | None, Query(alias="from", description="ISO 8601 with zone, or seconds since 1970 UTC; inclusive")]
To = Annotated[str | None, Query(description="ISO 8601 with zone, or seconds since 1970 UTC; exclusive")]


def moment(text: str | None, default: float, name: str) -> float:
    """A time given by a client [epoch s]; 422 where it is none, or one without a zone."""
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        try:
            # A plus sign that was not escaped arrives as a space.
            stamp = datetime.fromisoformat(text.strip().replace(" ", "+") if "T" in text else text)
        except ValueError as error:
            raise HTTPException(422, f"{name}: {text!r} is no time, such as 2026-03-02T13:05:00Z") from error
        if stamp.tzinfo is None:
            raise HTTPException(422, f"{name}: {text!r} has no zone, add Z or +01:00") from None
        value = stamp.timestamp()
    if not (math.isfinite(value) and 0 <= value < 253_402_300_800):
        raise HTTPException(422, f"{name}: {text!r} is out of range")
    return value


def stretch(begin: str | None, end: str | None, now: float, span: float) -> tuple[int, int]:
    """Begin and end of what a client asks for [epoch s]."""
    last = moment(end, now, "to")
    first = moment(begin, last - span, "from")
    if not first < last:
        raise HTTPException(422, "from: must be before to")
    if last - first > LONGEST_SPAN:
        raise HTTPException(422, "from: at most three years before to")
    return int(first), math.ceil(last)
