"""Rules of where the history lies."""

from __future__ import annotations

import re
from collections.abc import Iterator

from config.model import Site
from config.problems import Found


def history_has_one_place(site: Site) -> Iterator[Found]:
    """One address of the database, and a folder for sealed days that every collector sees."""
    kept = site.history
    if kept.database_env and kept.database_file is not None:
        yield Found(
            ("history", "database_file"), "the address of the database is named twice", "keep database_env or database_file"
        )
    if kept.database_env and not re.match(r"^[A-Za-z_][A-Za-z0-9_]*$", kept.database_env):
        yield Found(
            ("history", "database_env"), "this is no name of an environment variable",
            "the variable holds the address; name it, such as TALLYWIRE_DATABASE",
        )  # fmt: skip
    if kept.shared and kept.archive is None:
        yield Found(
            ("history", "archive"), "several collectors share the database, but not the sealed days",
            "name a folder that every collector sees under the same path",
        )  # fmt: skip
    if not kept.shared and kept.archive is not None:
        yield Found(
            ("history", "archive"), "without a database the sealed days lie in the data folder",
            "leave it out, or name the database with database_env or database_file",
        )  # fmt: skip
