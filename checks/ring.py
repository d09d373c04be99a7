"""A growing table that forgets its oldest rows without copying at every step."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Arrays = Mapping[str, NDArray[Any]]
FIRST_ROOM = 64
"""Rows that there is room for at first: a wide table of a new loop takes as much as it holds, and not a page a column."""


class Ring:
    """Named arrays that grow at the end; at least the last `keep` rows can be looked at, as views without a copy.

    A view is good until the next `append`. A column of a wide array lies in one piece: whoever looks at one role reads no other.
    """

    def __init__(self, keep: int) -> None:
        self.keep = keep
        self.dropped = 0
        """Rows that were forgotten so far."""
        self._arrays: dict[str, NDArray[Any]] = {}
        self._size = 0

    def append(self, rows: Arrays) -> None:
        """Add rows; all arrays of a call have the same length, all calls the same names."""
        count = len(next(iter(rows.values())))
        if not self._arrays:
            room = max(FIRST_ROOM, count)
            self._arrays = {name: np.empty((room, *part.shape[1:]), part.dtype, "F") for name, part in rows.items()}
        room = len(next(iter(self._arrays.values())))
        if self._size + count > room:
            self._make_room(room, count)
        for name, part in rows.items():
            self._arrays[name][self._size : self._size + count] = part
        self._size += count

    def _make_room(self, room: int, count: int) -> None:
        """Grow by doubling up to twice what is kept; after that the oldest rows go."""
        full = 2 * self.keep + count
        first = max(0, self._size - self.keep) if 2 * room > full else 0
        kept = self._size - first
        self.dropped += first
        room = max(min(2 * room, full), kept + count)
        for name, array in self._arrays.items():
            grown = array if len(array) >= room else np.empty((room, *array.shape[1:]), array.dtype, "F")
            grown[:kept] = array[first : self._size].copy(order="K")
            self._arrays[name] = grown
        self._size = kept

    def __len__(self) -> int:
        return self._size

    def column(self, name: str) -> NDArray[Any]:
        """All rows held of one array."""
        return self._arrays[name][: self._size]

    def view(self, end: int) -> dict[str, NDArray[Any]]:
        """The last `keep` rows before row `end` of what is held, by name."""
        first = max(0, end - self.keep)
        return {name: array[first:end] for name, array in self._arrays.items()}
