"""Files by path or by URL: what is named `scheme://...` is opened through fsspec, everything else is a local path.

Tested with file:// and memory://, and by hand with s3:// against a simulated store on this machine. Others (gs://, abfs://,
sftp://) open through fsspec where its driver for them is installed; they are not tested.
"""

from __future__ import annotations

import glob
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, TypeAlias, cast

from config.errors import DataFileError

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem

Place: TypeAlias = Path | str
"""A local path, or a URL."""
_URL = re.compile(r"^[a-z][a-z0-9+.-]*(::|://)", re.IGNORECASE)
_SECRET = re.compile(r"(://)[^/@\s]*@")


def is_url(place: Place) -> bool:
    """Whether a place is a URL and not a local path."""
    return isinstance(place, str) and bool(_URL.match(place))


def shown(place: Place) -> str:
    """A place as people may see it: without the user and password of a URL."""
    return _SECRET.sub(r"\1", str(place))


def name_of(place: Place) -> str:
    """The last part of a place."""
    return str(place).rstrip("/").rpartition("/")[2] if is_url(place) else Path(place).name


def suffix_of(place: Place) -> str:
    """What the name ends with, in small letters, with its point."""
    return Path(name_of(place)).suffix.lower()


def open_binary(place: Place) -> BinaryIO:
    """Open for reading bytes.

    Raises
    ------
    OSError
        It is not there or cannot be read.
    DataFileError
        A URL of a kind that cannot be opened here.
    """
    if not is_url(place):
        return Path(place).open("rb")
    system, path = file_system(str(place))
    with _reached(str(place)):
        return cast(BinaryIO, system.open(path, "rb"))


def size_of(place: Place) -> int:
    """Bytes of a file, 0 where that is not known. Raises OSError."""
    if not is_url(place):
        return Path(place).stat().st_size
    system, path = file_system(str(place))
    with _reached(str(place)):
        return int(system.size(path) or 0)


def is_folder(place: Place) -> bool:
    """Whether a place is a folder that is there."""
    if not is_url(place):
        return Path(place).is_dir()
    system, path = file_system(str(place))
    with _reached(str(place)):
        return bool(system.isdir(path))


def listed(pattern: Place) -> list[Place]:
    """The files that a pattern with *, ? or [ names, in order of their names; the place itself where it is no pattern."""
    text = str(pattern)
    if not glob.has_magic(text) or (not is_url(pattern) and Path(text).exists()):
        return [pattern]
    if not is_url(pattern):
        return [Path(found) for found in sorted(glob.glob(text, recursive=True)) if Path(found).is_file()]
    system, path = file_system(text)
    with _reached(text):
        return [str(system.unstrip_protocol(found)) for found in sorted(system.glob(path))]


def fetch(place: str, target: Path) -> None:
    """Copy what a URL names into a local file. Raises OSError or DataFileError."""
    with open_binary(place) as source, target.open("wb") as file:
        shutil.copyfileobj(source, file, 1 << 20)


def stamp(place: Place) -> str:
    """A word that changes when the content does, as far as the file system can say."""
    if not is_url(place):
        state = Path(place).stat()
        return f"{state.st_size}-{state.st_mtime_ns}"
    system, path = file_system(str(place))
    with _reached(str(place)):
        return str(system.ukey(path))


@contextmanager
def _reached(url: str) -> Iterator[None]:
    """Drivers raise errors of their own kinds where a store does not answer or refuses: one message for all of them."""
    try:
        yield
    except (OSError, DataFileError):
        raise
    except Exception as error:
        lines = str(error).splitlines() or [type(error).__name__]
        raise DataFileError(
            f"the place cannot be reached ({lines[0]})", where=shown(url),
            fix="check network, address and credentials of that store, or copy the files here",
        ) from error  # fmt: skip


def file_system(url: str) -> tuple[AbstractFileSystem, str]:
    """The file system of a URL and the path in it."""
    from fsspec.core import url_to_fs

    try:
        found: tuple[Any, str] = url_to_fs(url)
    except ImportError as error:
        raise DataFileError(
            f"this kind of address needs a driver that is not installed ({error})", where=shown(url),
            fix="install it into the environment of Tallywire, or copy the files here",
        ) from error  # fmt: skip
    except (ValueError, TypeError) as error:
        raise DataFileError(
            f"this address cannot be opened ({error})", where=shown(url), fix="a path, file://, or a scheme that fsspec knows"
        ) from error
    return found
