"""Stretches of empty belt, and their numbers as columns."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Each = Callable[["EmptyStretch"], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class EmptyStretch:
    """One stretch of empty running belt.

    `ln_net` is the mean of the logarithm of the net count rate (corrected for dead time, without background) [ln(1/s)], `se`
    its standard error from counting alone. `turns` is whole where the stretch held at least one turn, a part of one where it
    was shorter, and None where belt length or speed is not known: then only the time counts. `hidden` says that the flow did
    not move at all (cut-off, clamp), so that it says nothing of the zero. `load_error` is the mean of flow less the flow
    that the counts demand over the loaded, settled blocks since the stretch before [t/h]; `running_s` and `loaded_s` the
    seconds since then, this stretch included. `events` are what happened since then: kind and time. None is unknown.
    """

    start_s: int
    end_s: int
    known_s: int
    """When the ledger knew of it: the end of the block that closed it."""
    seconds: float
    turns: float | None
    ln_net: float
    se: float
    flow: float | None
    plc_flow: float | None
    hidden: bool
    temperature: float | None
    product: float | None
    speed: float | None
    tare_rate: float | None
    load_error: float | None
    running_s: float
    loaded_s: float
    events: tuple[tuple[str, int], ...] = ()

    @property
    def whole(self) -> bool:
        """Whether it holds whole turns, or enough time where turns are not known."""
        return self.turns >= 0.999 if self.turns is not None else self.seconds >= 300.0

    def had(self, *kinds: str) -> bool:
        """Whether one of these events happened between the stretch before and this one."""
        return any(kind in kinds for kind, _ in self.events)


def stretch_dict(stretch: EmptyStretch) -> dict[str, Any]:
    """A stretch as plain values, for databases."""
    return asdict(stretch)


def stretch_from(raw: Mapping[str, Any]) -> EmptyStretch:
    """A stretch from its plain values; raises KeyError or TypeError where they are of another version."""
    known = {item.name for item in fields(EmptyStretch)}
    events = tuple((str(kind), int(time_s)) for kind, time_s in raw["events"])
    return EmptyStretch(**{name: value for name, value in raw.items() if name in known} | {"events": events})


class Stretches(tuple[EmptyStretch, ...]):
    """Stretches in order of time that remember their columns: a year of them is asked for many times (`Kept.view`)."""

    _part: _Part | None

    def __new__(cls, stretches: Iterable[EmptyStretch] = (), part: _Part | None = None) -> Stretches:
        out = super().__new__(cls, stretches)
        out._part = part
        return out

    def column(self, name: Hashable, each: Each) -> Floats:
        """`each` of every stretch, shape (n,); what goes by one name is always made in the same way."""
        part = self._part
        if part is None:
            return np.array([each(entry) for entry in self], np.float64)
        return part.kept.column(name, each)[part.first : part.end]


class Kept:
    """Stretches in order of time that grow at the end and are forgotten at the begin; each column is read of each of them once."""

    def __init__(self, entries: Iterable[EmptyStretch] = ()) -> None:
        self._entries = list(entries)
        self._columns: dict[Hashable, Floats] = {}

    def __len__(self) -> int:
        return len(self._entries)

    def add(self, entry: EmptyStretch) -> None:
        """Put one more behind all."""
        self._entries.append(entry)

    def view(self, first: int, end: int) -> Stretches:
        """Those of the places `first` to `end` (exclusive)."""
        return Stretches(self._entries[first:end], _Part(self, first, end))

    def column(self, name: Hashable, each: Each) -> Floats:
        """`each` of every stretch, shape (n,)."""
        known = self._columns.get(name)
        seen = 0 if known is None else len(known)
        if known is None or seen < len(self):
            fresh = np.array([each(entry) for entry in self._entries[seen:]], np.float64)
            known = self._columns[name] = fresh if known is None else np.concatenate([known, fresh])
        return known


@dataclass(frozen=True, slots=True)
class _Part:
    kept: Kept
    first: int
    end: int


def each_of(stretches: Sequence[EmptyStretch], name: Hashable, each: Each) -> Floats:
    """`each` of every stretch, shape (n,), remembered under `name` where they remember their columns."""
    if isinstance(stretches, Stretches):
        return stretches.column(name, each)
    return np.array([each(entry) for entry in stretches], np.float64)


def column(stretches: Sequence[EmptyStretch], name: str) -> Floats:
    """One number of every stretch, NaN where it is not known, shape (n,)."""

    def number(entry: EmptyStretch) -> float:
        value = getattr(entry, name)
        return np.nan if value is None else float(value)

    return each_of(stretches, name, number)


def had(stretches: Sequence[EmptyStretch], kinds: frozenset[str]) -> NDArray[np.bool_]:
    """Whether one of these events happened between the stretch before and each one, shape (n,)."""
    return each_of(stretches, kinds, lambda entry: float(entry.had(*kinds))) > 0.0
