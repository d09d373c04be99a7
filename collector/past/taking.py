"""What the child has made ready goes into the history: one transaction a loop-day, by the one process that writes."""

from __future__ import annotations

import os

from collector.history import empty_rows, rollups
from collector.history.layout import DAY_S, Layout
from collector.history.state import StateDb
from collector.history.statements import insert_or_replace
from collector.history.tables import MANIFEST
from collector.past.book import PastBook
from collector.past.judging import JudgedDay
from collector.past.preparing import LaidDay, read_rows


def take_laid(state: StateDb, layout: Layout, laid: LaidDay) -> None:
    """Move the archive file to its place, then enter manifest and rollups; again does no harm.

    A kill in between leaves a whole file that no reader knows of, and that the next attempt replaces.
    """
    text, rows = read_rows(laid.rollups)
    place = layout.archive(laid.loop, laid.day)
    place.parent.mkdir(parents=True, exist_ok=True)
    laid.samples.replace(place)
    for folder in (place.parent, place.parent.parent):
        _flush(folder)
    sealed = laid.sealed
    values = {"rows": sealed.rows, "first_s": sealed.first_s, "last_s": sealed.last_s, "sha256": sealed.sha256}
    with state.transaction() as connection:
        for length_s, (starts, statistics) in rows.items():
            rollups.insert(connection, laid.loop, length_s, text, starts, statistics)
        insert_or_replace(connection, MANIFEST, [{"loop": laid.loop, "day": laid.day, **values}])
    laid.rollups.unlink(missing_ok=True)


def take_judged(state: StateDb, judged: JudgedDay, *, told_by: str, told_after: float) -> int:
    """Write what the engine told of a loop-day; returns the alerts that are new. Again does no harm."""
    with state.transaction() as connection:
        empty_rows.add(connection, judged.loop, judged.empties)
        end = float((judged.day + 1) * DAY_S)
        return PastBook(state).lay(connection, judged.changes, end=end, told_by=told_by, told_after=told_after)


def _flush(folder: os.PathLike[str]) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
