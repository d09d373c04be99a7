"""What one request brought of its tags, column by column: a reading of its own is made where somebody looks at one."""

from __future__ import annotations

from collections.abc import Callable, Iterator, MutableMapping, Sequence
from operator import itemgetter
from typing import Any, NamedTuple, overload

from collector.reading import GOOD, Reading

Place = tuple[str, str]
"""Loop and role of a tag."""
RawOf = Callable[[Any, int], tuple[float, ...]]
"""From what came and the number of a tag to what the tag page shows of it."""


class Share(NamedTuple):
    """The tags of one loop in a bundle: their roles, and what takes their items out of a column."""

    loop: str
    roles: tuple[str, ...]
    whole: bool
    take: Callable[[Sequence[Any]], Sequence[Any]]


class Tags:
    """The tags that one request reads, in its order; made once and shared by all its bundles."""

    def __init__(self, places: Sequence[Place], raw_of: RawOf) -> None:
        self.places = tuple(places)
        self.raw_of = raw_of
        self.number_of = {place: number for number, place in enumerate(self.places)}
        numbers: dict[str, list[int]] = {}
        for number, (loop, _) in enumerate(self.places):
            numbers.setdefault(loop, []).append(number)
        self.shares = tuple(
            Share(loop, tuple(self.places[number][1] for number in own), len(own) == len(self.places), _taker(own))
            for loop, own in numbers.items()
        )


def _taker(numbers: Sequence[int]) -> Callable[[Sequence[Any]], Sequence[Any]]:
    first, behind = numbers[0], numbers[-1] + 1
    if behind - first == len(numbers):
        return itemgetter(slice(first, behind))
    return itemgetter(*numbers)


class Bundle(Sequence[Reading]):
    """Readings of the tags of one request, all received at one time.

    Parameters
    ----------
    tags : Tags
    values : sequence of float
        In the canonical unit of each role; NaN where the quality is bad.
    received : float
        When they came [epoch s].
    raw
        What came, as `tags.raw_of` understands it.
    quality, reasons : sequence of int, of str, or None
        Of each tag; None where all are good.
    sources : sequence of float or None
        Source time of each tag [epoch s] or None; None where the protocol has none.
    """

    __slots__ = ("quality", "raw", "reasons", "received", "sources", "tags", "values")

    def __init__(
        self,
        tags: Tags,
        values: Sequence[float],
        received: float,
        raw: Any,
        *,
        quality: Sequence[int] | None = None,
        reasons: Sequence[str] | None = None,
        sources: Sequence[float | None] | None = None,
    ) -> None:
        self.tags, self.values, self.received, self.raw = tags, values, received, raw
        self.quality, self.reasons, self.sources = quality, reasons, sources

    def __len__(self) -> int:
        return len(self.values)

    @overload
    def __getitem__(self, number: int) -> Reading: ...

    @overload
    def __getitem__(self, number: slice) -> Sequence[Reading]: ...

    def __getitem__(self, number: int | slice) -> Reading | Sequence[Reading]:
        if isinstance(number, slice):
            return [self[one] for one in range(*number.indices(len(self)))]
        number = range(len(self))[number]
        loop, role = self.tags.places[number]
        return Reading(
            loop,
            role,
            self.values[number],
            GOOD if self.quality is None else self.quality[number],
            self.received,
            None if self.sources is None else self.sources[number],
            "" if self.reasons is None else self.reasons[number],
            self.tags.raw_of(self.raw, number),
        )

    def __iter__(self) -> Iterator[Reading]:
        return (self[number] for number in range(len(self)))

    def of(self, place: Place) -> Reading:
        """The reading of one tag."""
        return self[self.tags.number_of[place]]


class Readings(Sequence[Reading]):
    """The readings of one poll, as the parts in which they came."""

    __slots__ = ("parts",)

    def __init__(self, *parts: Sequence[Reading]) -> None:
        self.parts = [part for part in parts if len(part)]

    def add(self, part: Sequence[Reading]) -> None:
        """Add some more."""
        if len(part):
            self.parts.append(part)

    def __len__(self) -> int:
        return sum(map(len, self.parts))

    def __iter__(self) -> Iterator[Reading]:
        for part in self.parts:
            yield from part

    @overload
    def __getitem__(self, number: int) -> Reading: ...

    @overload
    def __getitem__(self, number: slice) -> Sequence[Reading]: ...

    def __getitem__(self, number: int | slice) -> Reading | Sequence[Reading]:
        return list(self)[number]


def parts_of(readings: Sequence[Reading]) -> Sequence[Sequence[Reading]]:
    """The parts in which readings came."""
    return readings.parts if isinstance(readings, Readings) else (readings,)


class Latest(MutableMapping[Place, Reading]):
    """The latest reading of each tag. A bundle stands for those of its tags until somebody asks for one."""

    def __init__(self) -> None:
        self._kept: dict[Place, Reading | Tags] = {}
        self._bundles: dict[Tags, Bundle] = {}
        self._whole: set[Tags] = set()
        """Those whose bundle stands for each of their places."""

    def take(self, part: Sequence[Reading]) -> None:
        """Take the readings of a part of a poll."""
        if not isinstance(part, Bundle):
            for reading in part:
                self[reading[:2]] = reading
            return
        self._bundles[part.tags] = part
        if part.tags not in self._whole:
            for place in part.tags.places:
                self._forget(place)
            self._kept.update(dict.fromkeys(part.tags.places, part.tags))
            self._whole.add(part.tags)

    def _forget(self, place: Place) -> None:
        before = self._kept.get(place)
        if isinstance(before, Tags):
            self._whole.discard(before)

    def __getitem__(self, place: Place) -> Reading:
        found = self._kept[place]
        return self._bundles[found].of(place) if isinstance(found, Tags) else found

    def __setitem__(self, place: Place, reading: Reading) -> None:
        self._forget(place)
        self._kept[place] = reading

    def __delitem__(self, place: Place) -> None:
        self._forget(place)
        del self._kept[place]

    def __iter__(self) -> Iterator[Place]:
        return iter(list(self._kept))

    def __len__(self) -> int:
        return len(self._kept)
