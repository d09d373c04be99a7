"""What is wrong with a site file, every problem of it, each with its place and what is allowed instead."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from config.errors import TallywireError

LONG_LIST = 12
"""A longer list of known words hides the one that was meant."""

KeyPath = tuple[str | int, ...]
"""Way to a value in the site file: keys of mappings and places in lists."""


def dotted(path: KeyPath) -> str:
    """`loops.TB-07.gauge.range.high`, `shifts[1]`."""
    text = ""
    for key in path:
        text += f"[{key}]" if isinstance(key, int) else f".{key}" if text else key
    return text


@dataclass(frozen=True, slots=True)
class Place:
    """A line of a file, counted from 1; 0 where the file as a whole is meant."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}" if self.line else self.file


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong (or, as a warning, doubtful) in a site file.

    `path` is dotted and empty where the file as a whole is meant; `allowed` says what may stand there instead.
    """

    place: Place
    path: str
    what: str
    allowed: str = ""

    def __str__(self) -> str:
        where = f"{self.place}: {self.path}: " if self.path else f"{self.place}: "
        return f"{where}{self.what}" + (f"\n    fix: {self.allowed}" if self.allowed else "")


@dataclass(frozen=True, slots=True)
class Found:
    """What a rule found in a site: a `Problem` without its line; a warning keeps nothing from running."""

    path: KeyPath
    what: str
    allowed: str = ""
    warning: bool = False


class SiteFileError(TallywireError):
    """A site file that cannot be used; `problems` holds every one that was found, in the order of the file."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        first = self.problems[0]
        many = f" (and {len(self.problems) - 1} more)" if len(self.problems) > 1 else ""
        super().__init__(first.what + many, where=str(first.place), fix=first.allowed)

    def __str__(self) -> str:
        lines = [str(problem) for problem in self.problems]
        if len(lines) > 1:
            lines.append(f"{len(lines)} problems in the site file")
        return "\n".join(lines)


@dataclass(slots=True)
class Places:
    """Where each key of the site file stands."""

    file: str
    known: dict[KeyPath, Place] = field(default_factory=dict)

    def of(self, path: KeyPath) -> Place:
        """The place of a path, or of the nearest part above it that is written in the file."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.known:
                return self.known[path[:length]]
        return Place(self.file, 1)

    def problem(self, path: KeyPath, what: str, allowed: str = "") -> Problem:
        """A problem at a path."""
        return Problem(self.of(path), dotted(path), what, allowed)


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word a slip was probably meant for, empty where none is near."""
    folded = {name.lower().replace("-", "_"): name for name in known}
    found = difflib.get_close_matches(word.lower().replace("-", "_"), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else ""


def meant(word: str, known: Iterable[str]) -> str:
    """`did you mean x? known: a, b, x` for a word that is none of the known ones; a long list only where nothing is near."""
    names = list(known)
    near = nearest(word, names)
    listed = f"known: {', '.join(names)}" if names else "none is described so far"
    if not near:
        return listed
    return f"did you mean {near}? {listed}" if len(names) <= LONG_LIST else f"did you mean {near}?"
