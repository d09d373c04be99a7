"""Where samples lie: a recorded file, the stored history, or a folder of sealed days. Small, and goes to any worker."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from checks.samples import Samples
from collector.history import archive
from collector.history.layout import DAY_S
from collector.replay.columns import Columns
from collector.replay.importer import Recording
from collector.replay.opening import Place, shown
from collector.replay.tables import open_table
from collector.replay.work import Part
from config.errors import DataFileError, TallywireError
from config.model import Site

FAR = 1 << 40
"""Epoch seconds beyond any data."""


def later(samples: Samples, begin: int) -> Samples:
    """The samples that are not before `begin` [epoch s]."""
    first = int(np.searchsorted(samples.time_s, begin))
    return samples[slice(first, None)] if first else samples


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSource:
    """A file that keeps to the contract of replay, with its columns as they are understood; a worker reads those of its loop."""

    path: Place
    site: Site
    columns: Columns

    def of(self, loop: str) -> FileSource:
        """The columns of one loop."""
        return FileSource(path=self.path, site=only(self.site, loop), columns=self.columns.of({loop}))

    def parts(self, site: Site, loop: str, begin: int) -> Iterator[Part]:
        """Piece by piece from the start of the file, for what is held there depends on the rows before; told from `begin` on."""
        recording = Recording(self.site, self.path, open_table(self.path), self.columns).of(loop)
        before = 0.0
        for batch in recording.batches():
            if loop in batch.samples:
                yield Part(later(batch.samples[loop], begin), before, batch.done)
            before = batch.done


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredSource:
    """A stretch of the history in a data folder: whole days from the archive, the newest from where the service writes."""

    folder: Path
    begin: int
    end: int

    def of(self, loop: str) -> StoredSource:
        """All of it: it names a folder and a time."""
        return self

    def parts(self, site: Site, loop: str, begin: int) -> Iterator[Part]:
        """A day at most at a time."""
        from collector.clock import SystemClock
        from collector.history.opening import open_store

        store = open_store(self.folder, site, clock=SystemClock(), read_only=True)
        try:
            yield from _parts(store.scan(loop, max(self.begin, begin), self.end), self.begin, self.end)
        finally:
            store.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveSource:
    """Sealed days as files, `LOOP/YYYY-MM-DD.parquet` in a folder or below a URL, without the database that lists them."""

    days: Mapping[str, tuple[Place, ...]]
    begin: int = 0
    end: int = FAR

    def of(self, loop: str) -> ArchiveSource:
        """The days of one loop."""
        return ArchiveSource(days={loop: self.days.get(loop, ())}, begin=self.begin, end=self.end)

    def parts(self, site: Site, loop: str, begin: int) -> Iterator[Part]:
        """A day at a time."""
        days = self.days.get(loop, ())
        for place, path in enumerate(days):
            day = archive.day_in(path)
            if (day + 1) * DAY_S <= max(self.begin, begin) or day * DAY_S >= self.end:
                continue
            try:
                found = archive.read(path, max(self.begin, begin), self.end)
            except FileNotFoundError as error:
                raise DataFileError(
                    "a sealed day cannot be seen from here", where=shown(path),
                    fix="every machine of a cluster needs the archive under the same path or URL",
                ) from error  # fmt: skip
            if found is not None:
                yield Part(found, place / len(days), (place + 1) / len(days))


def only(site: Site, loop: str) -> Site:
    """A site with one of its loops."""
    return site.model_copy(update={"loops": {loop: site.loops[loop]}})


def _parts(stretches: Iterator[Samples], begin: int, end: int) -> Iterator[Part]:
    before = 0.0
    for samples in stretches:
        done = min(1.0, max(before, (int(samples.time_s[-1]) + samples.step_s - begin) / (end - begin)))
        yield Part(samples, before, done)
        before = done


def archive_in(folder: Place, site: Site, begin: int = 0, end: int = FAR) -> ArchiveSource:
    """The sealed days of the loops of a site in a folder or below a URL.

    Raises
    ------
    TallywireError
        There is none.
    """
    days = {loop: archive.days_of(folder, loop) for loop in site.loops}
    if not any(days.values()):
        raise TallywireError(
            f"this folder has no sealed day of {', '.join(list(site.loops)[:5])}", where=shown(folder),
            fix="name the folder that holds LOOP/YYYY-MM-DD.parquet, or the files with a pattern such as 'FOLDER/*.csv'",
        )  # fmt: skip
    return ArchiveSource(days=days, begin=begin, end=end)
