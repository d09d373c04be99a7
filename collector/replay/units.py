"""The unit of a column in its name, such as `TB-08.plc_flow [t/h]`: it holds over what the site file declares for the tag."""

from __future__ import annotations

import re

from collector.replay.opening import Place, shown
from config.errors import DataFileError
from config.model import RecordedTag, Tag
from config.roles import ROLES
from config.units import convert

_NAMED = re.compile(r"^\s*(?P<name>[^\[\]]*[^\[\]\s])\s*\[(?P<unit>[^\[\]]+)\]\s*$")
BARE = "1"
"""What a bare number is measured in."""


def split_unit(name: str) -> tuple[str, str]:
    """A column name without its unit, and the unit; empty where none is written."""
    found = _NAMED.match(name)
    return (found["name"].strip(), found["unit"].strip()) if found else (name.strip(), "")


def with_unit(loop: str, role: str) -> str:
    """The name of a column that holds canonical numbers."""
    return f"{loop}.{role} [{ROLES[role].unit or BARE}]"


def refuse_unit(role: str, unit: str, name: str, path: Place) -> None:
    """Raise DataFileError where the numbers of a role cannot be in a unit."""
    wanted = ROLES[role].unit
    if not unit or not wanted:
        return
    try:
        convert(1.0, unit, wanted)
    except ValueError as error:
        raise DataFileError(
            f"the unit of the column {name!r}: {error}", where=f"{shown(path)}, line 1",
            fix=f"a unit of {wanted} in the brackets, or none: then the unit of the site file holds",
        ) from error  # fmt: skip


def measured(tag: Tag, role: str, unit: str) -> Tag:
    """A tag as its numbers are to be read where they are in a unit; without a unit the tag as it is.

    What the site file declares stays in force for everything else: a unit that the gauge reads back is compared with that.
    """
    if not unit:
        return tag
    changes: dict[str, object] = {"measured_in": unit if ROLES[role].unit else ""}
    if isinstance(tag, RecordedTag):
        changes |= {"scale": 1.0, "offset": 0.0}
    return tag.model_copy(update=changes)
