"""When which group of tags is read: deadlines that do not drift. Pure: the time is given."""

from __future__ import annotations

import zlib
from collections.abc import Iterable

SPREAD_S = 1.0
"""A slow group is read for the first time within this time, not only at its place in its period [s]."""


class Slots:
    """The deadlines of the groups of one endpoint.

    Group g is due at start + phase + k * period for whole k, with a phase that is a hash of endpoint and period, so that many
    endpoints do not fire together, and the same after each start. A period above one second has one extra slot in the first
    second. Slots that were missed are skipped and counted, never made up for.

    Parameters
    ----------
    name : str
        The endpoint.
    periods : iterable of float
        One group for each period [s]; at least one.
    start : float
        Now [s].
    """

    def __init__(self, name: str, periods: Iterable[float], start: float) -> None:
        self._start = start
        self._phase = {period: _fraction(f"{name}/{period}") * period for period in periods}
        self._due = {
            period: start + (phase if period <= SPREAD_S else phase / period * SPREAD_S)
            for period, phase in self._phase.items()
        }

    def next(self) -> tuple[float, float]:
        """Deadline [s] and period [s] of the group that is due first."""
        return min((due, period) for period, due in self._due.items())

    def done(self, period: float, now: float) -> int:
        """Move a group to its next deadline after `now` [s]; returns how many slots were missed."""
        before = self._due[period]
        base = self._start + self._phase[period]
        slot = round((before - base) / period) if before >= base else -1
        following = max(slot + 1, 0)
        missed = 0
        if base + following * period <= now:
            reached = int((now - base) // period)
            missed, following = reached - following + 1, reached + 1
        self._due[period] = base + following * period
        return missed


def _fraction(text: str) -> float:
    return zlib.crc32(text.encode()) / 2**32
