"""Times of an export as epoch seconds: which writing, which zone, and what a change of the clock does to them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collector.exports.understanding import Understanding, count

Floats = NDArray[np.float64]

ZONE = re.compile(r"\s*(Z|UTC|GMT|[+-]\d{2}:?\d{2})$", re.IGNORECASE)
_CLOCK = r"(?P<h>\d{1,2}):(?P<mi>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?\s*(?P<ap>[AaPp]\.?[Mm]\.?)?"
_YEAR_FIRST = re.compile(rf"^(?P<a>\d{{4}})[-/.](?P<b>\d{{1,2}})[-/.](?P<c>\d{{1,2}})(?:[T ]\s*{_CLOCK})?$")
_YEAR_LAST = re.compile(rf"^(?P<a>\d{{1,2}})(?P<sep>[-/.])(?P<b>\d{{1,2}})[-/.](?P<c>\d{{4}}|\d{{2}})(?:[T ,]\s*{_CLOCK})?$")
_NAMED = re.compile(rf"^(?P<a>\d{{1,2}})[-/. ](?P<b>[A-Za-z]{{3,9}})\.?[-/. ](?P<c>\d{{4}}|\d{{2}})(?:[T ,]\s*{_CLOCK})?$")
_COMPACT = re.compile(
    r"^(?P<a>\d{4})(?P<b>\d{2})(?P<c>\d{2})[T ]?(?P<h>\d{2}):?(?P<mi>\d{2}):?(?P<s>\d{2})(?:[.,](?P<f>\d+))?$"
)
_BARE_CLOCK = re.compile(rf"^{_CLOCK}$")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
MONTHS = {name: number for number, name in enumerate(_MONTHS, 1)}
EPOCH_FROM, EPOCH_TO = 6.0e8, 4.2e9
"""Epoch seconds from 1989 to 2103."""
SHEET_FROM, SHEET_TO = 32_000.0, 75_000.0
"""Day numbers of spreadsheets from 1987 to 2105; day 25,569 is 1970-01-01 (ISO/IEC 29500, 1900 date base)."""
SHEET_EPOCH = 25_569.0
LONGEST_STEP_S = 1800.0


class DateOrder(StrEnum):
    """In which order a date with the year at its end is written."""

    DAY_FIRST = "day first"
    MONTH_FIRST = "month first"


@dataclass(frozen=True, slots=True)
class Stamps:
    """Times in the order of the file: epoch seconds, NaN where a cell is no time or a time that never was."""

    time: Floats
    written: str
    order: DateOrder | None


def looks_like_time(cell: str) -> bool:
    """Whether a cell is a date with a clock time, or epoch seconds or milliseconds."""
    bare = ZONE.sub("", cell)
    if any(pattern.match(bare) for pattern in (_YEAR_FIRST, _YEAR_LAST, _NAMED, _COMPACT)):
        return True
    return _epoch_scale(cell) is not None


def looks_like_clock(cell: str) -> bool:
    """Whether a cell is a clock time without a date."""
    return bool(_BARE_CLOCK.match(cell))


def stamps(
    cells: Sequence[str], zone: str, said: Understanding, *, order: DateOrder | None = None, group: Sequence[int] | None = None
) -> Stamps:
    """Read a column of times.

    Parameters
    ----------
    cells : sequence of str
        As they stand in the file, in its order.
    zone : str
        IANA zone for times without one.
    said : Understanding
        Gets what was understood, assumed and dropped.
    order : DateOrder, optional
        How dates such as 03/04/2027 are meant; None: by what the file itself shows.
    group : sequence of int, optional
        Which series a row belongs to (long format); a clock set back is looked for in each series alone.
    """
    scale = _common_scale(cells)
    if scale is not None:
        seconds = np.array([float(cell) if cell else np.nan for cell in cells], np.float64) * scale
        said.understood.append(f"times are epoch {'seconds' if scale == 1.0 else 'milliseconds'}, so UTC")
        return Stamps(seconds, "epoch", None)
    parts = [ZONE.search(cell) for cell in cells]
    bare = [cell if part is None else cell[: part.start()] for cell, part in zip(cells, parts, strict=True)]
    chosen = order if order is not None else _order_of(bare, said)
    local = _local_seconds(bare, chosen)
    zoned = np.array([part is not None for part in parts])
    out = local - np.array([0.0 if part is None else _offset_s(part.group(1)) for part in parts])
    if (~zoned).any():
        rows = np.flatnonzero(~zoned & np.isfinite(local))
        groups = None if group is None else np.asarray(group)[rows]
        out[rows] = _localised(local[rows], zone, groups, said)
        said.assumed.append(f"times without a zone are local time of {zone}")
    if zoned.any():
        said.understood.append("times carry their zone")
    return Stamps(out, "dates", chosen)


def sheet_days(cells: Sequence[str]) -> list[str] | None:
    """Day numbers of a spreadsheet as dates; None where the cells are not all such numbers."""
    filled = [cell for cell in cells if cell]
    try:
        days = np.array([float(cell.replace(",", ".")) for cell in filled], np.float64)
    except ValueError:
        return None
    if not len(days) or not ((days > SHEET_FROM) & (days < SHEET_TO)).all() or not (days % 1.0).any():
        return None
    moments = [datetime.fromtimestamp(round((day - SHEET_EPOCH) * 86400.0, 3), UTC) for day in days.tolist()]
    told = iter([moment.strftime("%Y-%m-%d %H:%M:%S.%f") for moment in moments])
    return [next(told) if cell else "" for cell in cells]


def _epoch_scale(cell: str) -> float | None:
    """Seconds in one unit of a number that is an epoch time; None where it is not."""
    try:
        number = float(cell)
    except ValueError:
        return None
    if EPOCH_FROM <= number <= EPOCH_TO:
        return 1.0
    return 1e-3 if EPOCH_FROM <= number / 1e3 <= EPOCH_TO else None


def _common_scale(cells: Sequence[str]) -> float | None:
    scales = {_epoch_scale(cell) for cell in cells[:2000] if cell}
    if len(scales) != 1:
        return None
    scale = next(iter(scales))
    return scale if scale is not None and all(not cell or _epoch_scale(cell) == scale for cell in cells) else None


def _order_of(cells: Sequence[str], said: Understanding) -> DateOrder | None:
    """Day or month first, by what cannot be a month, else by which order lets the dates follow each other."""
    dates: dict[tuple[int, int, int, str], None] = {}
    for cell in cells:
        found = _YEAR_LAST.match(cell)
        if found:
            dates.setdefault((int(found["a"]), int(found["b"]), int(found["c"]), found["sep"]))
    if not dates:
        return None
    first, second = max(date[0] for date in dates), max(date[1] for date in dates)
    if first > 12 or second > 12:
        order = DateOrder.DAY_FIRST if first > 12 else DateOrder.MONTH_FIRST
        said.understood.append(f"dates are written {order} (a {max(first, second)} cannot be a month)")
        return order
    if all(date[3] == "." for date in dates):
        said.understood.append("dates are written day first (with points between)")
        return DateOrder.DAY_FIRST
    spans = {
        DateOrder.DAY_FIRST: _span([(year, month, day) for day, month, year, _ in dates]),
        DateOrder.MONTH_FIRST: _span([(year, month, day) for month, day, year, _ in dates]),
    }
    shortest = min(spans, key=lambda name: spans[name])
    if len(set(spans.values())) > 1:
        said.assumed.append(f"dates are written {shortest} (so the days follow each other)")
        return shortest
    if any(found["ap"] for cell in cells[:50] if (found := _YEAR_LAST.match(cell))):
        said.assumed.append(f"dates are written {DateOrder.MONTH_FIRST} (the clock has am and pm)")
        return DateOrder.MONTH_FIRST
    said.assumed.append(f"dates are written {DateOrder.DAY_FIRST}")
    said.questions.append("is the day or the month first in the dates? the file itself does not show it")
    return DateOrder.DAY_FIRST


def _span(dates: Sequence[tuple[int, int, int]]) -> int:
    days = [pd.Timestamp(_year(year), month, day).toordinal() for year, month, day in dates if _is_date(year, month, day)]
    return max(days) - min(days) if days else 10**9


def _is_date(year: int, month: int, day: int) -> bool:
    try:
        datetime(_year(year), month, day, tzinfo=UTC)
    except ValueError:
        return False
    return True


def _year(year: int) -> int:
    """Two digits are of the years 1970 to 2069."""
    return year if year > 99 else year + (2000 if year < 70 else 1900)


def _local_seconds(cells: Sequence[str], order: DateOrder | None) -> Floats:
    """Wall-clock times as if they were UTC [epoch s]; NaN where a cell is no time."""
    days: dict[str, float] = {}
    out = np.full(len(cells), np.nan)
    for row, cell in enumerate(cells):
        found = _YEAR_FIRST.match(cell) or _YEAR_LAST.match(cell) or _NAMED.match(cell) or _COMPACT.match(cell)
        if found is None:
            continue
        date = f"{found['a']}-{found['b']}-{found['c']}"
        if date not in days:
            days[date] = _day(found["a"], found["b"], found["c"], order)
        out[row] = days[date] + _clock(found.groupdict())
    return out


def _day(a: str, b: str, c: str, order: DateOrder | None) -> float:
    if b.isalpha():
        year, month, day = int(c), MONTHS.get(b[:3].lower(), 0), int(a)
    elif len(a) == 4:
        year, month, day = int(a), int(b), int(c)
    elif order is DateOrder.MONTH_FIRST:
        year, month, day = int(c), int(a), int(b)
    else:
        year, month, day = int(c), int(b), int(a)
    return datetime(_year(year), month, day, tzinfo=UTC).timestamp() if _is_date(year, month, day) else np.nan


def _clock(found: dict[str, str | None]) -> float:
    hour, minute, second = (int(found.get(name) or 0) for name in ("h", "mi", "s"))
    half = (found.get("ap") or "")[:1].lower()
    if half:
        hour = hour % 12 + (12 if half == "p" else 0)
    if hour > 23 or minute > 59 or second > 59:
        return np.nan
    return hour * 3600.0 + minute * 60.0 + second + float(f"0.{found.get('f') or 0}")


def _offset_s(zone: str) -> float:
    if zone.upper() in ("Z", "UTC", "GMT"):
        return 0.0
    digits = zone[1:].replace(":", "")
    return (-1.0 if zone[0] == "-" else 1.0) * (int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0)


def _localised(local: Floats, zone: str, group: NDArray[np.int64] | None, said: Understanding) -> Floats:
    """Wall-clock times of a zone as epoch seconds, in the order of the file.

    An hour that comes twice is told apart by the clock going back in the order of the file; where it does not go back, the
    first pass is taken. Where the hour that is left out in spring is there and nothing else is odd, the recorder kept
    standard time all year.
    """
    first, second = _offsets(local, zone, fold=0), _offsets(local, zone, fold=1)
    missing = first < second
    if missing.any():
        standard = float(min(first[missing].min(), second[missing].min()))
        twice = first > second
        if not _goes_back(local, twice, group).any():
            said.assumed.append(
                f"the recorder keeps standard time all year (UTC{standard / 3600:+g} h): "
                f"{count(int(missing.sum()), 'row')} lie in an hour that summer time leaves out"
            )
            return local - standard
        said.dropped.append(f"{count(int(missing.sum()), 'row')} in an hour that summer time leaves out")
    out = local - first
    twice = first > second
    if twice.any():
        late = _goes_back(local, twice, group)
        out[late] = local[late] - second[late]
        how = (
            "told apart where the clock goes back"
            if late.any()
            else "taken for the first of the two: the clock never goes back"
        )
        said.understood.append(f"the hour that comes twice in autumn: {count(int(twice.sum()), 'row')}, {how}")
    out[missing] = np.nan
    return out


def _offsets(local: Floats, zone: str, fold: int) -> Floats:
    """Offset from UTC of each wall-clock time [s], looked up once for each half hour."""
    slots = np.floor(local / 1800.0).astype(np.int64)
    known: dict[int, float] = {}
    info = ZoneInfo(zone)
    for slot in np.unique(slots).tolist():
        moment = datetime.fromtimestamp(slot * 1800, UTC).replace(tzinfo=info, fold=fold)
        offset = moment.utcoffset()
        known[slot] = 0.0 if offset is None else offset.total_seconds()
    return np.array([known[slot] for slot in slots.tolist()], np.float64)


def _goes_back(local: Floats, twice: NDArray[np.bool_], group: NDArray[np.int64] | None) -> NDArray[np.bool_]:
    """The rows of an hour that comes twice that lie behind a step back, in each series alone."""
    late = np.zeros(len(local), np.bool_)
    groups = np.zeros(len(local), np.int64) if group is None else group
    for series in np.unique(groups[twice]).tolist():
        rows = np.flatnonzero((groups == series) & twice)
        if not len(rows):
            continue
        days = np.floor(local[rows] / 86400.0)
        for day in np.unique(days).tolist():
            part = rows[days == day]
            back = np.flatnonzero(np.diff(local[part]) < 0)
            if len(back) and -np.diff(local[part])[back[0]] > LONGEST_STEP_S:
                late[part[back[0] + 1 :]] = True
    return late
