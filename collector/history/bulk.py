"""The one bulk path: samples in; archive days, hot rows and rollups out. Imports, the demo's history and replay share it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

from checks.build import BlockBuilder
from checks.merge import TreeMerger
from checks.samples import Samples, join
from collector.history.layout import DAY_S, day_name
from collector.history.tiers import SEAL_AFTER_S, TieredStore
from collector.replay.importer import open_recording
from config.errors import StoreError
from config.model import Site

HOT_PIECE = 20_000
LIVE_STEP_S = 1
"""Step of the samples of a running service [s]."""


def bulk_import(
    store: TieredStore, site: Site, path: Path, *, now: float, progress: Callable[[float], None] | None = None
) -> int:
    """Bring a recorded file into a history; returns the rows taken.

    Raises
    ------
    DataFileError
        The file breaks its contract.
    StoreError
        The history cannot be written.
    """
    recording = open_recording(site, path, None)
    loops = {loop: LoopImport(store, recording.site, loop, now=now) for loop in recording.site.loops}
    for batch in recording.batches():
        for loop, samples in batch.samples.items():
            loops[loop].push(samples)
        if progress is not None:
            progress(batch.done)
    return sum(one.finish() for one in loops.values())


def import_samples(store: TieredStore, site: Site, loop: str, parts: Iterable[Samples], *, now: float) -> int:
    """Bring samples of one loop, in order of time, into a history; returns the rows taken."""
    one = LoopImport(store, site, loop, now=now)
    for samples in parts:
        one.push(samples)
    return one.finish()


class LoopImport:
    """One loop on its way in: a day is gathered, then sealed if it is over, else written as hot rows."""

    def __init__(self, store: TieredStore, site: Site, loop: str, *, now: float) -> None:
        """`read` and `rows` count the rows that came and those that were taken; `closed` are the days of the rest that are sealed
        already, with fewer rows than came [days since 1970]."""
        self._store = store
        self._site = site
        self.loop = loop
        self._now = now
        self._builder: BlockBuilder | None = None
        self._tree = TreeMerger()
        self._day: list[Samples] = []
        self.read = 0
        self.rows = 0
        self.closed: list[int] = []

    def push(self, samples: Samples) -> None:
        """Take the next samples."""
        days = samples.time_s // DAY_S
        for day in np.unique(days).tolist():
            first, last = np.searchsorted(days, [day, day + 1])
            if self._day and int(self._day[0].time_s[0]) // DAY_S != day:
                self._store_day()
            self._day.append(samples[slice(int(first), int(last))])

    def finish(self) -> int:
        """Store what is left; returns the rows taken."""
        self._store_day()
        return self.rows

    def _store_day(self) -> None:
        if not self._day:
            return
        samples = join(self._day)
        self._day = []
        day = int(samples.time_s[0]) // DAY_S
        self.read += len(samples)
        if samples.step_s != LIVE_STEP_S and (day + 1) * DAY_S > self._now:
            raise StoreError(
                f"samples every {samples.step_s} s reach into {day_name(day)}, a day that is not over and is stored every second",
                where=self.loop,
                fix="leave that day out (what came before it is imported), or resample it to 1 s",
            )
        kept = self._store.sealed_rows(self.loop, day)
        if kept is not None and kept < len(samples):
            self.closed.append(day)
        if (day + 1) * DAY_S + SEAL_AFTER_S <= self._now and not self._store.has_day(self.loop, day):
            self._store.put_sealed(samples, day)
            self.rows += len(samples)
        else:
            for first in range(0, len(samples), HOT_PIECE):
                self.rows += self._store.append([samples[slice(first, first + HOT_PIECE)]])
            samples = self._stored(samples, day)
        if self._builder is None:
            self._builder = BlockBuilder(self._site, self.loop, samples.step_s)
        for merged in self._tree.push(self._builder.push(samples)).values():
            self._store.add_rollups(merged)

    def _stored(self, samples: Samples, day: int) -> Samples:
        """The rows of a day as they are stored: rollups are of those, whatever a file says of the same time."""
        stored = list(self._store.scan(self.loop, day * DAY_S, (day + 1) * DAY_S))
        alike = {one.step_s for one in stored} == {samples.step_s}
        return join(stored) if alike else samples
