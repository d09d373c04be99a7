"""Who asks, for the length of a request, and what is told to the audit log about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any

from collector.access.roles import Role, Who

LOCAL = Who(role=Role.ADMIN, kind="this machine")
"""Whoever sits at this machine while there is no account."""


@dataclass(slots=True)
class Notes:
    """What a route tells about its change: what was before and after. `entered` where it made its own entry."""

    old: dict[str, Any] = field(default_factory=dict)
    new: dict[str, Any] = field(default_factory=dict)
    entered: bool = False


_WHO: ContextVar[Who] = ContextVar("who", default=LOCAL)
_NOTES: ContextVar[Notes | None] = ContextVar("notes", default=None)


def current() -> Who:
    """Who asks; outside a request the person at this machine."""
    return _WHO.get()


@contextmanager
def asks(who: Who) -> Iterator[Notes]:
    """Say who asks, until the block ends; gives what the route notes meanwhile."""
    notes = Notes()
    before = _WHO.set(who), _NOTES.set(notes)
    try:
        yield notes
    finally:
        _WHO.reset(before[0])
        _NOTES.reset(before[1])


def note(*, old: Mapping[str, Any] | None = None, new: Mapping[str, Any] | None = None) -> None:
    """Tell the audit log what a change found and what it left; secrets are left out there by their names."""
    notes = _NOTES.get()
    if notes is not None:
        notes.old.update(old or {})
        notes.new.update(new or {})


def entered() -> None:
    """Say that the change has its own entry already, made in the same transaction."""
    notes = _NOTES.get()
    if notes is not None:
        notes.entered = True
