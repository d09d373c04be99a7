"""From what a person names to a job: the files, the folder of sealed days or the stored history, and what was understood."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.replay.book import until
from collector.replay.doing import Job
from collector.replay.importer import open_recording
from collector.replay.opening import Place, is_folder, is_url, listed, name_of, shown, stamp
from collector.replay.storing import is_held, lost, stored
from config.errors import TallywireError
from config.load import LoadedSite
from config.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a person asks for: `data` by path, URL or pattern, else the stored history in `history`; local days; one loop.

    A history may grow while it is replayed: nothing that comes at `until` [epoch s] or later is looked at.
    """

    data: tuple[str, ...] = ()
    column_map: Mapping[str, str] | None = None
    first: str | None = None
    after: str | None = None
    loop: str | None = None
    history: Path | None = None
    kept: tuple[str, ...] = ()
    until: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A job that can be done, where its data come from in words, and what a reader must know of them."""

    job: Job
    source: str
    notes: tuple[str, ...]


@contextmanager
def prepared(loaded: LoadedSite, wanted: Wanted, book: Path | None = None) -> Iterator[Prepared]:
    """Understand what is named; what must be brought into another form lies beside the book (where a cluster
    sees it, too) or in a folder of its own for as long as this is open.

    Raises
    ------
    TallywireError
        The data, the days or the loop cannot be used.
    """
    loaded = replace(loaded, site=stored(loaded.site, wanted.kept))
    site = _of_loop(loaded.site, wanted.loop)
    begin, end = _days(wanted, site)
    if not wanted.data:
        yield _stored(loaded, site, wanted if wanted.until else replace(wanted, until=until(book)), begin, end)
        return
    places = [place for one in wanted.data for place in _found(one)]
    if len(places) == 1 and is_folder(places[0]):
        yield _archive(loaded, site, places[0], begin, end)
        return
    if book is not None:
        book.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="tallywire-", dir=None if book is None else book.parent.resolve()) as scratch:
        yield _file(loaded, site, places, wanted, begin, end, Path(scratch))


def _found(one: str) -> Sequence[Place]:
    places = listed(one if is_url(one) else Path(one))
    if not places:
        raise TallywireError("no file fits this pattern", where=f"--data {shown(one)}", fix="check the folder and the ending")
    return places


def _of_loop(site: Site, loop: str | None) -> Site:
    from collector.cli.days import loop_of

    return site if loop is None else site.model_copy(update={"loops": {loop: site.loops[loop_of(loop, site.loops)]}})


def _days(wanted: Wanted, site: Site) -> tuple[int, int | None]:
    """Begin and end of the local days [epoch s]; 0 and None where none is named."""
    if wanted.first is None and wanted.after is None:
        return 0, None
    from collector.cli.days import day_of
    from collector.local_days import midnight

    zone = ZoneInfo(site.time_zone)
    begin = 0 if wanted.first is None else midnight(day_of(wanted.first, "--from"), zone)
    end = None if wanted.after is None else midnight(day_of(wanted.after, "--to"), zone)
    if end is not None and end <= begin:
        raise TallywireError("the time does not end after it begins", where="--to", fix="the day after the last")
    return begin, end


def _stored(loaded: LoadedSite, site: Site, wanted: Wanted, begin: int, end: int | None) -> Prepared:
    from collector.clock import SystemClock
    from collector.data_folder import data_folder
    from collector.history.opening import open_store
    from collector.replay.places import StoredSource

    folder = data_folder(wanted.history, loaded.site, make=False)
    store = open_store(folder, site, clock=SystemClock(), read_only=True)
    try:
        extents = {loop: store.extent(loop) for loop in site.loops}
    finally:
        store.close()
    ends = [known[1] for known in extents.values() if known is not None]
    end = min(moment for moment in (end, max(ends, default=0), wanted.until) if moment is not None)
    there = {loop: (max(begin, known[0]), min(end, known[1])) for loop, known in extents.items() if known is not None}
    there = {loop: extent for loop, extent in there.items() if extent[0] < extent[1]}
    if not there:
        raise TallywireError(
            "the history has no samples in that time", where="--from, --to",
            fix=_reach(extents.values(), ZoneInfo(site.time_zone)),
        )  # fmt: skip
    missing = [loop for loop in site.loops if loop not in there]
    notes = [f"no samples of {', '.join(missing)} in that time"] if missing else []
    job = Job(
        site=site.model_copy(update={"loops": {loop: site.loops[loop] for loop in there}}), site_sha256=loaded.sha256,
        source=StoredSource(folder=folder.resolve(), begin=begin, end=end), begin=begin, end=end,
        data=(str(folder.resolve()), *(f"{loop} {first}" for loop, (first, _) in there.items())),
    )  # fmt: skip
    source = (
        f"replay of the history{f' from {wanted.first}' if wanted.first else ''}{f' to {wanted.after}' if wanted.after else ''}"
    )
    return Prepared(job=job, source=source, notes=(*map(str, loaded.warnings), *notes))


def _reach(extents: Iterable[tuple[int, int] | None], zone: ZoneInfo) -> str:
    known = [extent for extent in extents if extent is not None]
    if not known:
        return "it is empty yet: let the service run, or bring files in with `tallywire history import`"
    first, last = (datetime.fromtimestamp(moment, zone).date() for moment in (min(known)[0], max(end for _, end in known) - 1))
    return f"it reaches from {first.isoformat()} to {last.isoformat()}"


def _archive(loaded: LoadedSite, site: Site, folder: Place, begin: int, end: int | None) -> Prepared:
    from collector.replay.places import FAR, archive_in

    source = archive_in(folder if is_url(folder) else Path(folder).resolve(), site, begin, FAR if end is None else end)
    there = [loop for loop, days in source.days.items() if days]
    missing = [loop for loop in site.loops if loop not in there]
    notes = [f"no sealed day of {', '.join(missing)} in the folder"] if missing else []
    job = Job(
        site=site.model_copy(update={"loops": {loop: site.loops[loop] for loop in there}}), site_sha256=loaded.sha256,
        source=source, begin=begin, end=end,
        data=tuple(f"{shown(day)} {stamp(day)}" for loop in there for day in source.days[loop]),
    )  # fmt: skip
    days = sum(len(found) for found in source.days.values())
    return Prepared(
        job=job, source=f"replay of {days} sealed loop-days in {shown(folder)}",
        notes=(*map(str, loaded.warnings), *notes),
    )  # fmt: skip


def _lanes(
    loaded: LoadedSite, site: Site, places: Sequence[Place], wanted: Wanted, begin: int, end: int | None, folder: Path
) -> Prepared:
    """Several files, or one of which not every reading was stored."""
    from collector.replay.following import following
    from collector.replay.many import lanes_of

    in_turn = None if is_held(site) else following(site, places, wanted.column_map or {})
    found = in_turn or lanes_of(site, places, wanted.column_map or {}, folder)
    job = Job(
        site=found.site, site_sha256=loaded.sha256, source=found.source, begin=begin, end=end,
        data=(*(f"{shown(place)} {stamp(place)}" for place in places), *wanted.kept),
    )  # fmt: skip
    name = name_of(places[0]) if len(places) == 1 else f"{len(places)} files, {name_of(places[0])} to {name_of(places[-1])}"
    return Prepared(job=job, source=f"replay of {name}", notes=(*map(str, loaded.warnings), *found.notes, *lost(found.site)))


def _file(
    loaded: LoadedSite, site: Site, places: Sequence[Place], wanted: Wanted, begin: int, end: int | None, folder: Path
) -> Prepared:
    """One file of any usual kind; of several loops each worker reads its own columns."""
    from collector.exports.for_replay import in_contract
    from collector.replay.places import FileSource

    place = places[0]
    if len(places) > 1 or is_held(site):
        return _lanes(loaded, site, places, wanted, begin, end, folder)
    path, column_map, understood = in_contract(loaded.site, place, wanted.column_map, folder)
    recording = open_recording(loaded.site, path, column_map)
    loops = {loop: part for loop, part in recording.site.loops.items() if wanted.loop in (None, loop)}
    if not loops:
        raise TallywireError(f"the file has no column of {wanted.loop}", where=shown(place), fix="leave --loop out")
    recording.peek()
    job = Job(
        site=recording.site.model_copy(update={"loops": loops}), site_sha256=loaded.sha256,
        source=FileSource(path=path if is_url(path) else Path(path).resolve(), site=loaded.site, columns=recording.columns),
        data=(f"{shown(place)} {stamp(place)}",), begin=begin, end=end,
    )  # fmt: skip
    notes = [*map(str, loaded.warnings), *understood, *recording.warnings]
    return Prepared(job=job, source=f"replay of {name_of(place)}", notes=tuple(notes))
