"""The book of a replay that may be broken off: a folder that names what it was begun with, and keeps what is done."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any

from collector.replay.notes import Notes
from collector.replay.states import write_whole
from config.errors import StoreError, TallywireError

SCHEMA = 1
NAME = "book.json"
WORDS = {
    "site_sha256": "another site file (or another state of it)",
    "program": "another version of Tallywire",
    "data": "other data",
    "loops": "other loops",
    "what": "another question",
}
"""What differs, by the field of the book."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """What a book was begun with: a state of one replay means nothing in another."""

    what: str
    site_sha256: str
    data: tuple[str, ...]
    loops: tuple[str, ...]
    program: str


@cache
def program() -> str:
    """The version of the program, and a digest of all that decides what it finds."""
    digest = hashlib.sha256()
    for package in ("checks", "config", "collector.replay"):
        folder = files(package)
        for path in sorted(Path(str(folder)).rglob("*.py")):
            digest.update(path.read_bytes())
    return f"{version('tallywire')}+{digest.hexdigest()[:16]}"


@contextmanager
def opened(folder: Path, begun: Begun) -> Iterator[Notes]:
    """The notes of a book, made where there is none; nobody else may write in it meanwhile.

    Raises
    ------
    TallywireError
        The folder holds something else, or was begun with something else; nothing is changed then.
    """
    book = folder / NAME
    wanted: dict[str, Any] = json.loads(json.dumps({"schema": SCHEMA, **asdict(begun)}))
    try:
        if folder.exists() and not folder.is_dir():
            raise TallywireError("this is a file, not the folder of a book", where=f"--resume {folder}", fix="name a folder")
        if book.exists():
            _refuse_other(folder, book, wanted)
        elif folder.is_dir() and any(folder.iterdir()):
            raise TallywireError(
                "this folder holds other things than a book", where=f"--resume {folder}", fix="name a new or an empty folder"
            )
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with _alone(folder):
            if not book.exists():
                write_whole(book, (json.dumps(wanted, indent=2) + "\n").encode())
            notes = Notes(folder)
            notes.begin()
            yield notes
    except OSError as error:
        raise TallywireError(
            f"the book cannot be written ({error.strerror or error})", where=f"--resume {folder}", fix="name a folder elsewhere"
        ) from error


def until(folder: Path | None) -> int | None:
    """The end of the time that a book was begun for [epoch s], None where there is no book, or no end in it."""
    for book in () if folder is None else (folder / NAME, folder / "as-is" / NAME):
        try:
            last = str(json.loads(book.read_text(encoding="utf-8"))["what"]).rpartition(" ")[2]
        except (OSError, ValueError, KeyError, TypeError):
            continue
        return int(last) if last.isdecimal() else None
    return None


def _refuse_other(folder: Path, book: Path, wanted: dict[str, Any]) -> None:
    try:
        known = json.loads(book.read_text(encoding="utf-8"))
        same = {field: known[field] == value for field, value in wanted.items()}
    except (ValueError, KeyError, TypeError) as error:
        raise TallywireError(
            "the book is damaged, or of another version", where=str(book), fix="name another folder with --resume"
        ) from error
    if not same["schema"]:
        raise TallywireError("the book is of another version", where=str(book), fix="name another folder with --resume")
    other = [words for field, words in WORDS.items() if not same[field]]
    if other:
        raise TallywireError(
            f"this book was begun with {' and '.join(other)}: what it holds does not fit", where=f"--resume {folder}",
            fix="use what it was begun with, or name another folder",
        )  # fmt: skip


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    from collector.history.lock import FolderLock

    try:
        lock = FolderLock(folder / "lock")
    except StoreError as error:
        raise TallywireError(
            "another replay writes in this book", where=f"--resume {folder}", fix="wait for it, or name another folder"
        ) from error
    try:
        yield
    finally:
        lock.close()
