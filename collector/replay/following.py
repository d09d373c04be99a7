"""Files that follow each other in time, such as one a day or a month, of one loop or of several: as one recording."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from checks.samples import BAD, Samples
from collector.exports.for_replay import keeps_contract
from collector.replay.importer import Recording, open_recording
from collector.replay.opening import Place, name_of, shown
from collector.replay.places import FileSource
from collector.replay.tables import open_table
from collector.replay.work import Part
from config.errors import DataFileError
from config.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowingSource:
    """The files of each loop in order of their first times [epoch s]."""

    files: Mapping[str, tuple[FileSource, ...]]
    firsts: Mapping[str, tuple[float, ...]]

    def of(self, loop: str) -> FollowingSource:
        """The files of one loop."""
        return FollowingSource(files={loop: tuple(one.of(loop) for one in self.files[loop])}, firsts={loop: self.firsts[loop]})

    def parts(self, site: Site, loop: str, begin: int) -> Iterator[Part]:
        """File by file; a tag that a file lacks is bad in it. Raises DataFileError where a file begins before the last one ends."""
        files, firsts = self.files[loop], self.firsts[loop]
        roles = tuple(site.loops[loop].tags)
        last = -1
        for place, source in enumerate(files):
            if place + 1 < len(files) and firsts[place + 1] <= begin:
                continue
            for part in source.parts(site, loop, begin):
                if len(part.samples):
                    if int(part.samples.time_s[0]) <= last:
                        raise DataFileError(
                            f"{name_of(source.path)} begins before {name_of(files[place - 1].path)} ends",
                            where=f"--data {shown(source.path)}", fix="leave one of them out, or give files that do not overlap",
                        )  # fmt: skip
                    last = int(part.samples.time_s[-1])
                yield Part(_with(part.samples, roles), (place + part.begun) / len(files), (place + part.done) / len(files))


@dataclass(frozen=True, slots=True, kw_only=True)
class Following:
    """The site as all files carry it, where its samples lie, and what a reader must know."""

    site: Site
    source: FollowingSource
    notes: tuple[str, ...]


def following(site: Site, places: Sequence[Place], column_map: Mapping[str, str]) -> Following | None:
    """The files as a recording that goes on from file to file; None where they are not: each then holds single tags.

    Every file keeps to the contract and has the flow of each of its loops. Raises DataFileError where one cannot be read.
    """
    recordings: list[tuple[float, Place, Recording]] = []
    for place in places:
        if not keeps_contract(place, column_map):
            return None
        here = {name: target for name, target in column_map.items() if name in open_table(place).names}
        try:
            recording = open_recording(site, place, here)
        except DataFileError:
            return None
        recordings.append((recording.first_time(), place, recording))
    recordings.sort(key=lambda one: (one[0], str(one[1])))
    loops = {}
    files: dict[str, tuple[FileSource, ...]] = {}
    firsts: dict[str, tuple[float, ...]] = {}
    for loop in site.loops:
        of_loop = [one for one in recordings if loop in one[2].site.loops]
        if not of_loop:
            continue
        tags = {role: tag for _, _, recording in of_loop for role, tag in recording.site.loops[loop].tags.items()}
        loops[loop] = site.loops[loop].model_copy(update={"tags": tags})
        files[loop] = tuple(
            FileSource(path=place.resolve() if isinstance(place, Path) else place, site=site, columns=recording.columns)
            for _, place, recording in of_loop
        )
        firsts[loop] = tuple(first for first, _, _ in of_loop)
    warnings = dict.fromkeys(warning for _, _, recording in recordings for warning in recording.warnings)
    missing = {f"loop {loop}: no column in the file; left out" for loop in loops}
    return Following(
        site=site.model_copy(update={"loops": loops}), source=FollowingSource(files=files, firsts=firsts),
        notes=tuple(warning for warning in warnings if warning not in missing),
    )  # fmt: skip


def _with(samples: Samples, roles: Sequence[str]) -> Samples:
    """The samples with a column for every role, in this order."""
    if tuple(samples.values) == tuple(roles):
        return samples
    nothing, bad = np.full(len(samples), np.nan), np.full(len(samples), BAD, np.uint8)
    return replace(
        samples,
        values={role: samples.values.get(role, nothing) for role in roles},
        quality={role: samples.quality.get(role, bad) for role in roles},
    )
