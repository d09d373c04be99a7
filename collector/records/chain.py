"""The chain of hashes: what makes a changed, missing or inserted document visible."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from config.errors import StoreError

START = "0" * 64
"""What stands in place of the hash before the first link."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Linked:
    """One link as it is stored: its number, the canonical text, the hash before and its own hash (hex)."""

    number: int
    text: str
    before: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """Where the chain stops holding, and why."""

    number: int
    reason: str


def canonical(content: Mapping[str, Any]) -> str:
    """JSON with sorted keys, no spaces, UTF-8: the same content is the same text. NaN and infinity are refused (StoreError)."""
    try:
        return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise StoreError(
            f"this content cannot be recorded: {error}",
            where="record",
            fix="give numbers that are finite, text, lists and maps",
        ) from error


def chained(before: str, number: int, text: str) -> str:
    """SHA-256 (FIPS 180-4) of the hash before, the number and the text, one a line, as hex."""
    return hashlib.sha256(f"{before}\n{number}\n{text}".encode()).hexdigest()


def link(before: Linked | None, content: Mapping[str, Any]) -> Linked:
    """The next link behind `before` (None: the first one, number 1)."""
    number, previous = (1, START) if before is None else (before.number + 1, before.sha256)
    text = canonical(content)
    return Linked(number=number, text=text, before=previous, sha256=chained(previous, number, text))


def verify(links: Iterable[Linked], *, last: Linked | None = None) -> Break | None:
    """Walk the chain in order of number; the first place where it breaks, or None.

    A chain that was cut at its end still holds in itself: `last`, a link kept elsewhere, shows that too.
    """
    previous, seen = START, None
    for number, item in enumerate(links, start=1):
        if item.number != number:
            return Break(number=number, reason=f"number {number} is missing, {item.number} follows")
        if item.before != previous:
            return Break(number=number, reason="it does not follow from the one before")
        if item.sha256 != chained(previous, number, item.text):
            return Break(number=number, reason="its content was changed")
        previous = item.sha256
        if last is not None and item.number == last.number:
            seen = item.sha256
    if last is not None and seen != last.sha256:
        reason = "it is missing at the end" if seen is None else "it is not the one that was kept elsewhere"
        return Break(number=last.number, reason=reason)
    return None
