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
