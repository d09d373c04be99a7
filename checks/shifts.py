"""The shifts of a site on the clock, and tonnes mis-stated in each."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from checks.accounting.calendar import periods
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
    first = datetime.fromtimestamp(begin, zone).date() - timedelta(days=1)
    last = datetime.fromtimestamp(end, zone).date()
    for shift in periods("shift", first, last, site.shifts, site.time_zone):
        if max(shift.begin, begin) < min(shift.end, end):
            yield shift.name.partition(" ")[2], max(shift.begin, begin), min(shift.end, end)


def by_shift(site: Site, blocks: Blocks, begin: int, end: int, part: Part) -> tuple[ShiftTonnes, ...]:
    """`part` of the blocks of each shift; a shift without blocks is left out. A block counts where it starts, that of
    the begin in the first shift."""
    out = []
    for shift, first, until in shifts_between(site, begin, end):
        low, high = np.searchsorted(blocks.start_s, [first - (blocks.length_s - 1) * (first == begin), until])
        rows = blocks[int(low) : int(high)]
        if not len(rows):
            continue
        tonnes, uncertainty = part(rows)
        if math.isfinite(tonnes) and math.isfinite(uncertainty):
            out.append(ShiftTonnes(shift=shift, begin=first, end=until, tonnes=tonnes, tonnes_uncertainty=uncertainty))
    return tuple(out)
