"""Who is on duty by the calendar of the site: shifts and days in local time, quiet hours. Pure: the local time is given.

Everything is asked anew from the wall clock of the site at each moment, so that days of 23 and 25 h need no care.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from config.deliveries import Tell

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def shift_at(local: datetime, shifts: Sequence[str]) -> tuple[str, str]:
    """The shift that runs at a local time, by its beginning, and the day on which it began."""
    clock = local.strftime("%H:%M")
    begun = [shift for shift in shifts if shift <= clock]
    if begun:
        return begun[-1], DAYS[local.weekday()]
    return shifts[-1], DAYS[(local - timedelta(days=1)).weekday()]


def on_duty(tell: Tell, local: datetime, shifts: Sequence[str]) -> bool:
    """Whether somebody reads what is told now."""
    shift, day = shift_at(local, shifts)
    return (not tell.shifts or shift in tell.shifts) and (not tell.days or day in tell.days)


def quiet(tell: Tell, local: datetime) -> bool:
    """Whether only high priority may pass now."""
    if not tell.quiet:
        return False
    begin, end = tell.quiet
    clock = local.strftime("%H:%M")
    return begin <= clock < end if begin < end else clock >= begin or clock < end
