"""Tests, in the layout of the packages."""

import itertools
import os
from collections.abc import Iterable, Sequence
from typing import TypeVar

from collector.__main__ import one_thread_for_algebra

one_thread_for_algebra()

FULL = os.environ.get("TALLYWIRE_FULL") == "1"
"""Whether the whole programme runs, not the share that every run looks at."""

A = TypeVar("A")
B = TypeVar("B")


def share(cases: Iterable[A], of: int) -> list[A]:
    """Every case with TALLYWIRE_FULL=1, every `of`-th in an ordinary run, beginning with the first."""
    return list(itertools.islice(cases, 0, None, 1 if FULL else of))


def crossed(first: Sequence[A], second: Sequence[B]) -> list[tuple[A, B]]:
    """Every pair with TALLYWIRE_FULL=1; in an ordinary run so many that each of both sides is in one."""
    if FULL:
        return list(itertools.product(first, second))
    return [(first[n % len(first)], second[n % len(second)]) for n in range(max(len(first), len(second)))]
