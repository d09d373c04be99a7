"""The shifts of a site on the clock, and tonnes mis-stated in each."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from checks.blocks import Blocks
from checks.finding import ShiftTonnes
from config.model import Site

Part = Callable[[Blocks], tuple[float, float]]
"""Tonnes mis-stated (+ = too much) and their expanded uncertainty (k = 2) [t] over some blocks."""


def shifts_between(site: Site, begin: int, end: int) -> Iterator[tuple[str, int, int]]:
    """Every shift that has a part in begin..end (epoch s): its local begin as HH:MM, and that part. A day of 23 or 25 h by
    the clock gives a shift that much shorter or longer; a local time that a clock change skips begins when it is over."""
    if end <= begin or not site.shifts:
        return
    zone = ZoneInfo(site.time_zone)
    day = datetime.fromtimestamp(begin, zone).date() - timedelta(days=1)
    last = datetime.fromtimestamp(end, zone).date() + timedelta(days=1)
    starts: list[tuple[int, str]] = []
    while day <= last:
        starts += [(_moment(day, shift, zone), shift) for shift in site.shifts]
        day += timedelta(days=1)
    for (start, shift), (following, _) in pairwise(starts):
        first, until = max(start, begin), min(following, end)
        if first < until:
            yield shift, first, until


def _moment(day: date, shift: str, zone: ZoneInfo) -> int:
    hour, minute = map(int, shift.split(":"))
    return int(datetime(day.year, day.month, day.day, hour, minute, tzinfo=zone).timestamp())


def by_shift(site: Site, blocks: Blocks, begin: int, end: int, part: Part) -> tuple[ShiftTonnes, ...]:
    """`part` of the blocks of each shift; a shift without blocks is left out. A block counts where it starts."""
    out = []
    for shift, first, until in shifts_between(site, begin, end):
        low, high = np.searchsorted(blocks.start_s, [first, until])
        rows = blocks[int(low) : int(high)]
        if not len(rows):
            continue
        tonnes, uncertainty = part(rows)
        if math.isfinite(tonnes) and math.isfinite(uncertainty):
            out.append(ShiftTonnes(shift=shift, begin=first, end=until, tonnes=tonnes, tonnes_uncertainty=uncertainty))
    return tuple(out)
