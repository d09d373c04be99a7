"""From what OPC UA says of a node to a value with quality and source time. Pure."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, NamedTuple

from asyncua import ua
from asyncua.ua.status_codes import get_name_and_doc

from collector.reading import BAD, GOOD, UNCERTAIN, Reading
from collector.sources.decode import Decoded, Scaling, bad
from config.model import OpcUaTag

_SEVERITIES = (GOOD, UNCERTAIN, BAD, BAD)
"""By bits 31-30 of a status code (OPC UA Part 4, clause 7.39.1); the reserved fourth counts as bad."""
_CONDITION = 0xFFFF0000
"""The bits that name the condition; the lower 16 are flags that do not change its meaning (same clause)."""


NUMBERS = frozenset({float, int, bool})


class NodeValue(NamedTuple):
    """What a server says of a node: its value as it came (None where there is none), status code, source time [epoch s] or None."""

    value: Any
    status: int
    source_time: float | None


def plain(data: ua.DataValue) -> NodeValue:
    """The same of the library's own object."""
    status = GOOD if data.StatusCode is None else data.StatusCode.value
    return NodeValue(None if data.Value is None else data.Value.Value, status, time_of(data.SourceTimestamp))


def quality_of(code: int) -> tuple[int, str]:
    """Quality and name of a status code; the name is empty for plain good."""
    condition = code & _CONDITION
    quality = _SEVERITIES[(code >> 30) & 3]
    if not condition:
        return quality, ""
    try:
        return quality, str(get_name_and_doc(condition)[0])
    except KeyError:
        return quality, f"status {condition:#010x}"


def number_of(value: Any, texts: Mapping[str, float]) -> float | int:
    """A plain number; ValueError with a short reason where there is none.

    Booleans are 0 and 1, a date is seconds since 1970 UTC, a text is looked up in `texts`, else read as a number.
    """
    if type(value) is float:
        return value
    if isinstance(value, str):
        if value in texts:
            return texts[value]
        try:
            return float(value)
        except ValueError:
            raise ValueError("text without a number") from None
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, int | float):
        return value
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError("time without zone")
        return value.timestamp()
    raise ValueError("no value" if value is None else "no single number")


def part_of(value: Any, part: str) -> Any:
    """One end of a range, or the unit id of engineering units (OPC UA Part 8, clause 5.6); ValueError where it is none."""
    if part.startswith("EURange.") and isinstance(value, ua.Range):
        return float(value.Low if part.endswith("low") else value.High)
    if part == "EngineeringUnits" and isinstance(value, ua.EUInformation):
        if value.UnitId == -1:
            raise ValueError("no unit id")
        return int(value.UnitId)
    raise ValueError(f"no {part.partition('.')[0]}")


def time_of(stamp: datetime | None) -> float | None:
    """Epoch seconds of a time stamp; None where there is none or it has no zone or lies before 1970."""
    if stamp is None or stamp.tzinfo is None:
        return None
    seconds = stamp.timestamp()
    return seconds if seconds > 0.0 else None


class NodeDecoder:
    """Decodes the values of one tag of a loop; ValueError where its unit is none that the role can have."""

    def __init__(self, loop: str, role: str, tag: OpcUaTag) -> None:
        self._loop, self._role, self._tag = loop, role, tag
        markers = list(tag.invalid)
        for marker in tag.invalid:
            try:
                markers.append(struct.unpack("<f", struct.pack("<f", marker))[0])
            except OverflowError:
                continue
        self._scaling = Scaling(role, tag, markers)
        self._plain = None if tag.property else self._scaling.plain

    def quick(self, whole: bool) -> Callable[[float | int], float]:
        """What gives the value of a number with good status, NaN or infinite where it is not good; see `Scaling.quick`."""
        if self._plain is not None:
            return self._scaling.quick(whole)
        decode = self.decode
        return lambda number: decode(NodeValue(number, 0, None)).value

    def reading(self, got: NodeValue, received: float) -> Reading:
        """A reading of what was received at a time [epoch s]."""
        number, status, stamp = got
        if self._plain is not None and not status and type(number) in NUMBERS and math.isfinite(number):
            value = self._plain(number)
            if math.isfinite(value):
                return Reading(self._loop, self._role, value, GOOD, received, stamp, "", (float(number),))
        value, quality, reason, raw = self.decode(got)
        return Reading(self._loop, self._role, value, quality, received, stamp, reason, raw)

    def decode(self, got: NodeValue) -> Decoded:
        """The value. A bad status is never a value, whatever came with it."""
        quality, name = quality_of(got.status) if got.status else (GOOD, "")
        value = got.value
        try:
            number = number_of(part_of(value, self._tag.property) if self._tag.property else value, self._tag.values)
        except (ValueError, OverflowError) as error:
            return bad(name if quality == BAD else str(error))
        raw = (float(number),)
        if quality == BAD:
            return bad(name, raw)
        decoded = self._scaling.apply(number, raw)
        if decoded.quality == GOOD and name:
            decoded = decoded._replace(quality=quality, reason=name)
        return decoded
