"""Days, months and loops as they are given on the command line."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from config.errors import TallywireError


def day_of(text: str, option: str) -> date:
    """A day given on the command line."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise TallywireError(f"{text!r} is no day", where=option, fix="write it as 2026-03-01") from None


def loop_of(text: str, loops: Iterable[str]) -> str:
    """A loop given on the command line."""
    known = list(loops)
    if text not in known:
        raise TallywireError(f"this site has no loop {text!r}", where="--loop", fix=f"one of {', '.join(known)}")
    return text
