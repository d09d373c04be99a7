"""Long lists in parts: one page of them, what was looked for, and the addresses of the neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Generic, TypeVar
from urllib.parse import urlencode

from fastapi import Query

T = TypeVar("T")

PageNumber = Annotated[int, Query(alias="page", ge=1, le=100_000)]
Find = Annotated[str, Query(max_length=80)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part(Generic[T]):
    """One page of a list. `first` and `last` count from 1; both 0 where nothing is in the list."""

    items: tuple[T, ...]
    first: int
    last: int
    total: int
    number: int
    pages: int
    find: str = ""

    def query(self, number: int | None = None, **others: str) -> str:
        """The query of a page of this list, of this one where no number is given; empty where nothing needs saying."""
        at = self.number if number is None else number
        wanted = {**{name: text for name, text in others.items() if text}, **({"find": self.find} if self.find else {})}
        if at > 1:
            wanted["page"] = str(at)
        return urlencode(wanted)


def part_of(items: Sequence[T], number: int, size: int, find: str = "") -> Part[T]:
    """A page of a list; a number beyond the end gives the last page."""
    pages = max(1, -(-len(items) // size))
    at = min(max(number, 1), pages)
    shown = tuple(items[(at - 1) * size : at * size])
    first = (at - 1) * size + 1 if shown else 0
    return Part(
        items=shown, first=first, last=first + len(shown) - 1 if shown else 0, total=len(items), number=at, pages=pages,
        find=find,
    )  # fmt: skip


def fits(find: str, *texts: str) -> bool:
    """Whether one of the texts holds what is looked for, whatever its case; everything fits nothing."""
    wanted = find.strip().casefold()
    return not wanted or any(wanted in text.casefold() for text in texts)
