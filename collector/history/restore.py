"""A backup back in its place: everything is checked before anything is written, and `state.db`, which makes it a history, comes last."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from collector.history.backup import Label, checksum, flush, labels
from collector.history.layout import Layout
from collector.history.lock import FolderLock, refuse_network
from config.errors import StoreError

STAGING = ".restoring"


@dataclass(frozen=True, slots=True)
class Restored:
    """What was put back."""

    stamp: str
    label: Label


def choose(source: Path, at: str | None) -> tuple[str, Label]:
    """The newest backup of a folder, or the one that is named.

    Raises
    ------
    StoreError
        There is none, or none of that name.
    """
    known = labels(source)
    if not known:
        raise StoreError("there is no backup here", where=str(source), fix="name the folder that `tallywire backup` wrote to")
    if at is None:
        return list(known.items())[-1]
    if at not in known:
        raise StoreError(f"there is no backup {at!r}", where=str(source), fix=f"there are {', '.join(known)}")
    return at, known[at]


def restore(source: Path, layout: Layout, site: str, at: str | None = None) -> Restored:
    """Put a backup into a data folder that holds no history.

    Raises
    ------
    StoreError
        The backup is of another site, damaged or not there; the data folder holds a history or cannot be written.
    """
    stamp, label = choose(source, at)
    if label.site != site:
        raise StoreError(
            f"the backup is of the site {label.site!r}, the site file is of {site!r}", where=str(source / stamp),
            fix="name the site file and the backup of the same site",
        )  # fmt: skip
    if layout.state.exists():
        raise StoreError(
            "there is a history here already", where=str(layout.root), fix="move it away, or name another folder with --data"
        )
    damaged = list(_damaged(source, stamp, label))
    if damaged:
        more = f" and {len(damaged) - 1} more" if len(damaged) > 1 else ""
        raise StoreError(f"the backup is damaged: {damaged[0]}{more}", where=str(source / stamp), fix="name another with --at")
    try:
        layout.make()
        refuse_network(layout.root)
        lock = FolderLock(layout.lock)
        try:
            _put(source, stamp, label, layout)
        finally:
            lock.close()
    except OSError as error:
        raise StoreError(
            f"the history cannot be written ({error.strerror or error})", where=str(error.filename or layout.root),
            fix="make room, or name another folder with --data; then try again",
        ) from error  # fmt: skip
    return Restored(stamp, label)


def _damaged(source: Path, stamp: str, label: Label) -> list[str]:
    wanted = {source / stamp / name: digest for name, digest in label.files.items()}
    wanted |= {day.kept_at(source): day.sha256 for day in label.days}
    return [str(path.relative_to(source)) for path, digest in wanted.items() if not path.exists() or checksum(path) != digest]


def _put(source: Path, stamp: str, label: Label, layout: Layout) -> None:
    staging = layout.root / STAGING
    shutil.rmtree(staging, ignore_errors=True)
    staging.mkdir()
    for day in label.days:
        _copy(day.kept_at(source), layout.archive(day.loop, day.day), staging)
    for name in label.files:
        if name != layout.state.name and not name.startswith("site/"):
            _copy(source / stamp / name, layout.root / name, staging)
    _copy(source / stamp / layout.state.name, layout.state, staging)
    staging.rmdir()
    flush(layout.root)


def _copy(source: Path, target: Path, staging: Path) -> None:
    """A whole file or none: under another name first, flushed, then moved."""
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = staging / "file"
    shutil.copyfile(source, temporary)
    flush(temporary)
    temporary.replace(target)
    flush(target.parent)
