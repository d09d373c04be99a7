"""Texts for cells that somebody will open in a spreadsheet."""

from __future__ import annotations

FORMULA = ("=", "+", "-", "@", "\t", "\r")


def safe_text(text: str) -> str:
    """A text for a cell of CSV: one that a spreadsheet would take for a formula is quoted with an apostrophe."""
    return f"'{text}" if text.startswith(FORMULA) else text
