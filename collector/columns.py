"""Columns of samples in one matrix: what a wide site closes each second would else be thousands of small arrays."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from checks.samples import Samples, join

T = TypeVar("T", bound=np.generic)


class Roles:
    """The roles of a loop in order; one object for all its samples."""

    __slots__ = ("number_of", "order")

    def __init__(self, order: Sequence[str]) -> None:
        self.order = tuple(order)
        self.number_of = {role: number for number, role in enumerate(self.order)}


class Columns(Mapping[str, NDArray[T]]):
    """One row of a matrix for each role; shape of a column (n,)."""

    __slots__ = ("matrix", "roles")

    def __init__(self, roles: Roles, matrix: NDArray[T]) -> None:
        self.roles, self.matrix = roles, matrix

    def __getitem__(self, role: str) -> NDArray[T]:
        column: NDArray[T] = self.matrix[self.roles.number_of[role]]
        return column

    def __contains__(self, role: object) -> bool:
        return role in self.roles.number_of

    def __iter__(self) -> Iterator[str]:
        return iter(self.roles.order)

    def __len__(self) -> int:
        return len(self.roles.order)


def roles_of(values: Mapping[str, Any]) -> tuple[str, ...]:
    """The roles in their order."""
    return values.roles.order if isinstance(values, Columns) else tuple(values)


def stacked(parts: Sequence[Samples]) -> tuple[NDArray[np.float64], NDArray[np.uint8]] | None:
    """Values and qualities of samples of the same roles behind each other, shape (roles, n); None where they lie column by column."""
    values, quality = [], []
    for part in parts:
        if not (isinstance(part.values, Columns) and isinstance(part.quality, Columns)):
            return None
        values.append(part.values.matrix)
        quality.append(part.quality.matrix)
    return np.concatenate(values, axis=1), np.concatenate(quality, axis=1)


def joined(parts: Sequence[Samples]) -> Samples:
    """Stretches of one loop with the same step and roles, in order of time, as one. Empty input is an error."""
    first = parts[0]
    if len(parts) == 1:
        return first
    whole = stacked(parts) if isinstance(first.values, Columns) else None
    if whole is None:
        return join(parts)
    assert isinstance(first.values, Columns)
    return Samples(
        loop=first.loop,
        step_s=first.step_s,
        time_s=np.concatenate([part.time_s for part in parts]),
        values=Columns(first.values.roles, whole[0]),
        quality=Columns(first.values.roles, whole[1]),
        flags=np.concatenate([part.flags for part in parts]),
    )
