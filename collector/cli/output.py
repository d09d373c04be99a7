"""Writing what a command was asked to write."""

from __future__ import annotations

from pathlib import Path

from config.errors import TallywireError


def write_out(path: Path, content: bytes, what: str = "it") -> None:
    """Write a file; TallywireError, which says what could not be written and why, where the disk refuses."""
    try:
        path.write_bytes(content)
    except OSError as error:
        raise TallywireError(
            f"{what} cannot be written ({error.strerror or error})",
            where=str(path),
            fix="name a file in a folder that can be written",
        ) from error


def write_new(path: Path, content: bytes, what: str = "it") -> None:
    """Write a file that must not be there yet; TallywireError where it is, or where the disk refuses."""
    if path.exists():
        raise TallywireError(
            f"{path} is there already and is not overwritten", where=str(path), fix="name another file, or move it away"
        )
    write_out(path, content, what)
