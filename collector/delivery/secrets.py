"""Secrets from the environment or a file; never from the site file, never shown."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from config.errors import TallywireError


def read_secret(what: str, *, env: str = "", file: Path | None = None) -> str:
    """The secret from the variable `env` or the file, '' where neither is named.

    Raises
    ------
    TallywireError
        The variable is not set, the file cannot be read or is empty, or others may read it.
    """
    if env:
        value = os.environ.get(env)
        if not value:
            raise TallywireError(f"{what}: the environment variable {env} is not set", fix=f"set {env} for the service")
        return value
    if file is None:
        return ""
    require_private(what, file)
    try:
        value = file.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise TallywireError(f"{what}: the file cannot be read ({error.strerror})", where=str(file)) from error
    except UnicodeDecodeError:
        raise TallywireError(f"{what}: the file holds no text", where=str(file)) from None
    if not value:
        raise TallywireError(f"{what}: the file is empty", where=str(file))
    return value


def require_private(what: str, file: Path) -> None:
    """TallywireError where a file that holds a secret cannot be read, or where others than its owner may."""
    try:
        mode = file.stat().st_mode
    except OSError as error:
        raise TallywireError(f"{what}: the file cannot be read ({error.strerror})", where=str(file)) from error
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise TallywireError(f"{what}: others may read the file", where=str(file), fix=f"chmod 600 {file.name}")
