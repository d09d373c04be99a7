"""A copy of an embedded history while the service runs: databases by SQLite's own backup, sealed days by the manifest.

A backup folder holds `archive/`, sealed days named by their checksum, which every backup in it shares, and one folder a backup,
named by its time (UTC), with the databases, the small files, the site file and `backup.json`. That folder appears whole or not at
all. The order makes it consistent: hot days first, then `state.db`, then the days that its manifest names; a day that is sealed
meanwhile is then in both, which the next start puts right, and never in neither.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from collector.history.layout import Layout, address, day_name
from collector.history.state import keep_private
from config.errors import StoreError

FORMAT = 1
"""Version of a backup folder."""
LABEL = "backup.json"
STAMP = "%Y%m%dT%H%M%SZ"
PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class SealedDay:
    """A sealed day of a backup, with the checksum of the manifest."""

    loop: str
    day: int
    sha256: str

    def kept_at(self, root: Path) -> Path:
        """Where a backup folder keeps it."""
        return root / "archive" / self.loop / f"{day_name(self.day)}-{self.sha256[:16]}.parquet"


@dataclass(frozen=True, slots=True)
class Label:
    """What a backup says of itself: `files` are checksums by path below its folder."""

    site: str
    taken: str
    tallywire: str
    files: dict[str, str]
    days: tuple[SealedDay, ...]
    format: int = FORMAT


@dataclass(frozen=True, slots=True)
class Taken:
    """A backup that was taken: its folder, its sealed days, and how many of them were new here."""

    folder: Path
    label: Label
    new_days: int
    bytes: int


def take_backup(
    layout: Layout, site: str, files: Sequence[Path], to: Path, *, now: float, version: str, keep: int | None = None
) -> Taken:
    """Copy the history of a data folder, and `files` (the site file and what it names), into the backup folder `to`.

    `now` [epoch s] names the backup; `keep` leaves that many of the newest and drops what only older ones need.

    Raises
    ------
    StoreError
        There is no history, the folder cannot be written, or a sealed day is damaged.
    """
    if not layout.state.exists():
        raise StoreError(
            "there is no history here", where=str(layout.root), fix="name the data folder of a service with --data"
        )
    stamp = datetime.fromtimestamp(now, UTC).strftime(STAMP)
    folder, partial = to / stamp, to / f"{stamp}.partial"
    try:
        if folder.exists():
            raise StoreError("a backup of this second is there already", where=str(folder), fix="try again")
        for left in to.glob("*.partial"):
            shutil.rmtree(left)
        for part in ("hot", "site"):
            (partial / part).mkdir(parents=True)
        for day in layout.hot_days():
            _copy_database(layout.hot(day), partial / "hot" / layout.hot(day).name, may_go=True)
        _copy_database(layout.state, partial / layout.state.name)
        days, new, size = _copy_days(layout, partial / layout.state.name, to)
        for file in files:
            shutil.copyfile(file, partial / "site" / file.name)
        for file in sorted(layout.root.glob("*.json")):
            shutil.copyfile(file, partial / file.name)
        sums = {str(path.relative_to(partial)): checksum(path) for path in _files(partial)}
        taken = datetime.fromtimestamp(now, UTC).isoformat()
        label = Label(site=site, taken=taken, tallywire=version, files=sums, days=days)
        (partial / LABEL).write_text(json.dumps(asdict(label), indent=1) + "\n", encoding="utf-8")
        for path in [*_files(partial), partial / "hot", partial / "site", partial]:
            flush(path)
        partial.rename(folder)
        flush(to)
        if keep is not None:
            forget(to, keep)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            f"the backup cannot be written ({getattr(error, 'strerror', None) or error})",
            where=str(getattr(error, "filename", None) or to), fix="make room, or name another folder with --to",
        ) from error  # fmt: skip
    size += sum(path.stat().st_size for path in _files(folder))
    return Taken(folder, label, new, size)


def labels(to: Path) -> dict[str, Label]:
    """The backups in a folder by their stamp, oldest first; StoreError where one is of a newer kind or damaged."""
    found = {}
    for path in sorted(to.glob(f"*/{LABEL}")):
        if path.parent.suffix != ".partial":
            found[path.parent.name] = read_label(path)
    return found


def read_label(path: Path) -> Label:
    """One label."""
    try:
        raw: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if raw["format"] > FORMAT:
            raise StoreError(
                f"the backup is of kind {raw['format']}, this Tallywire knows kind {FORMAT}", where=str(path),
                fix="restore it with the Tallywire that made it, or a newer one",
            )  # fmt: skip
        return Label(**{**raw, "days": tuple(SealedDay(**day) for day in raw["days"])})
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError("this is no label of a backup", where=str(path), fix="name another backup with --at") from error


def forget(to: Path, keep: int) -> None:
    """Drop all but the newest `keep` backups, and the sealed days that none of those names."""
    known = labels(to)
    for stamp in list(known)[: max(len(known) - keep, 0)]:
        (to / stamp / LABEL).unlink()
        shutil.rmtree(to / stamp)
        del known[stamp]
    needed = {day.kept_at(to) for label in known.values() for day in label.days}
    for path in (to / "archive").glob("*/*.parquet"):
        if path not in needed:
            path.unlink()


def checksum(path: Path) -> str:
    """SHA-256 of a file."""
    return _pass_through(path, lambda piece: None)


def flush(path: Path) -> None:
    """Make sure that a file or folder is on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _files(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.is_file())


def _copy_database(source: Path, target: Path, *, may_go: bool = False) -> None:
    """One moment of a database; `may_go`: nothing is copied where it was sealed and removed meanwhile."""
    try:
        reading = sqlite3.connect(address(source, read_only=True), uri=True, timeout=30.0)
        keep_private(target)
        with closing(reading) as old, closing(sqlite3.connect(target)) as new:
            old.backup(new)
            new.execute("PRAGMA journal_mode=DELETE")  # one file, no log beside it
    except sqlite3.Error:
        if not may_go or source.exists():
            raise
    if may_go and not source.exists():
        target.unlink(missing_ok=True)


def _copy_days(layout: Layout, state: Path, to: Path) -> tuple[tuple[SealedDay, ...], int, int]:
    """The sealed days that a copied `state.db` names; how many were new in the backup folder, and their bytes."""
    days, new, size = [], 0, 0
    with closing(sqlite3.connect(state)) as copied:
        for one in _manifest(copied):
            target = one.kept_at(to)
            if not target.exists():
                if not _copy_day(layout.archive(one.loop, one.day), target, one.sha256):
                    if one in _live_manifest(layout):
                        raise StoreError(
                            "a sealed day is damaged or missing", where=str(layout.archive(one.loop, one.day)),
                            fix="`tallywire history verify` says what it means; restore it from an older backup",
                        )  # fmt: skip
                    copied.execute("DELETE FROM manifest WHERE loop = ? AND day = ?", (one.loop, one.day))
                    continue
                new, size = new + 1, size + target.stat().st_size
            days.append(one)
        copied.commit()
    return tuple(days), new, size


def _copy_day(source: Path, target: Path, sha256: str) -> bool:
    """Copy a sealed day; False where it is not there or not what the manifest says."""
    if not source.exists():
        return False
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_suffix(".tmp")
    try:
        with temporary.open("wb") as file:
            found = _pass_through(source, file.write)
            file.flush()
            os.fsync(file.fileno())
        if found != sha256:
            return False
        temporary.rename(target)
    except FileNotFoundError:
        return False
    finally:
        temporary.unlink(missing_ok=True)
    flush(target.parent)
    return True


def _pass_through(path: Path, take: Callable[[bytes], object]) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            digest.update(piece)
            take(piece)
    return digest.hexdigest()


def _manifest(connection: sqlite3.Connection) -> list[SealedDay]:
    rows = connection.execute("SELECT loop, day, sha256 FROM manifest ORDER BY day, loop")
    return [SealedDay(str(loop), int(day), str(sha256)) for loop, day, sha256 in rows]


def _live_manifest(layout: Layout) -> set[SealedDay]:
    with closing(sqlite3.connect(address(layout.state, read_only=True), uri=True, timeout=30.0)) as live:
        return set(_manifest(live))
