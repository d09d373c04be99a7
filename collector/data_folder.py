"""Where the history and the state of a site lie on this machine."""

from __future__ import annotations

import os
from pathlib import Path

from platformdirs import user_data_path

from config.errors import StoreError
from config.model import Site


def data_folder(given: Path | None, site: Site, *, make: bool = True) -> Path:
    """The folder of history and state: the one given, else the one that the site file names, else `$STATE_DIRECTORY` as a
    service manager sets it, else one of the user. It is made where it is not there, unless `make` is False: whoever only reads
    leaves no empty folder behind a name that was mistyped.

    Raises
    ------
    StoreError
        The folder cannot be made.
    """
    state = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    folder = given or site.history.folder or (Path(state) if state else user_data_path("tallywire") / site.site)
    if not make:
        return folder
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"the data folder cannot be made ({error.strerror or error})",
            where=str(folder),
            fix="name another with --data, or as `folder` under `history` in the site file",
        ) from error
    return folder
