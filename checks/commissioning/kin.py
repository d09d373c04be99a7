"""Other belts that a control system has beside the one that is looked for, by the names that its variables and folders have."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

SHARED = 2
"""Folders that have so many names in common hold the same things, each of another belt."""
Place = tuple[Sequence[str], str]
"""The folders above a variable, and its name."""


def kin_of(loop: str, places: Sequence[Place]) -> tuple[str, ...]:
    """Names of other belts, which part their variables from those of the loop.

    Parameters
    ----------
    loop : str
        Name of the loop, such as `TB-07`.
    places : sequence of (folders, name)
        Every variable.

    Returns
    -------
    tuple of str
        Names that differ from that of the loop in their digits alone, then folders beside the one of the loop that hold the same names.
        Empty where nothing is named after the loop.
    """
    bare = _bare(loop)
    if not bare or not any(bare in _bare("/".join((*path, name))) for path, name in places):
        return ()
    return tuple(dict.fromkeys((*_by_digits(loop, places), *_by_folders(bare, places))))


def _by_digits(loop: str, places: Iterable[Place]) -> list[str]:
    pieces = re.findall(r"[A-Za-z]+|\d+", loop)
    if not any(piece.isdigit() for piece in pieces) or len(pieces) < 2:
        return []
    alike = r"[^A-Za-z0-9]?".join(r"(\d+)" if piece.isdigit() else re.escape(piece) for piece in pieces)
    pattern = re.compile(rf"(?<![A-Za-z0-9]){alike}(?!\d)", re.IGNORECASE)
    mine = [piece for piece in pieces if piece.isdigit()]
    found = (match for path, name in places for part in (*path, name) for match in pattern.finditer(part))
    return [match[0] for match in found if list(match.groups()) != mine]


def _by_folders(bare: str, places: Iterable[Place]) -> list[str]:
    inside: dict[tuple[str, ...], set[str]] = {}
    for path, name in places:
        for depth in range(1, len(path) + 1):
            inside.setdefault(tuple(path[:depth]), set()).add("/".join((*path[depth:], name)))
    own = [path for path in inside if bare in _bare(path[-1])]
    return [
        other[-1]
        for path in own
        for other, names in inside.items()
        if other != path and other[:-1] == path[:-1] and bare not in _bare(other[-1]) and len(names & inside[path]) >= SHARED
    ]


def _bare(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())
