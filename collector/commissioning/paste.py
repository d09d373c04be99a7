"""Tags as lines of a site file, to paste: one flow mapping a tag, broken where a terminal of 80 columns ends."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence

WIDTH = 80
_PLAIN = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_./;=+()%: -]*")
_READ_OTHERWISE = re.compile(r"[\d.+-]+(e[\d+-]+)?|true|false|null|yes|no|on|off|~", re.IGNORECASE)
Fields = Mapping[str, str | int | float | bool]


def scalar(value: str | float | bool) -> str:
    """A value as YAML takes it, in quotes where it would be read as something else."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"{value:g}" if isinstance(value, float) else str(value)
    plain = _PLAIN.fullmatch(value) and not _READ_OTHERWISE.fullmatch(value)
    if plain and ": " not in value and not value.endswith((":", " ")):
        return value
    return json.dumps(value)


def tag_lines(role: str, fields: Fields, indent: int = 6) -> list[str]:
    """`role: {key: value, ...}`, each line at most 80 columns wide unless one value alone is longer."""
    pieces = [f"{key}: {scalar(value)}" for key, value in fields.items()]
    lines = [" " * indent + f"{role}: {{"]
    for place, piece in enumerate(pieces):
        piece += "," if place < len(pieces) - 1 else "}"
        gap = "" if lines[-1].endswith("{") else " "
        if len(lines[-1]) + len(gap) + len(piece) > WIDTH and lines[-1].strip():
            lines.append(" " * (indent + 2) + piece)
        else:
            lines[-1] += gap + piece
    return lines


def fragment(tags: Mapping[str, Sequence[tuple[str, Fields]]]) -> str:
    """The tags of some loops in their place below `loops:`."""
    lines = ["loops:"]
    for loop, mine in tags.items():
        lines += [f"  {loop}:", "    tags:"]
        for role, fields in mine:
            lines += tag_lines(role, fields)
    return "\n".join(lines) + "\n"
