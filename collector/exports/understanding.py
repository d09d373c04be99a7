"""What was made of an export: sentences for people, in the order in which they are to be read."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

MOST_EXAMPLES = 3


@dataclass(slots=True)
class Understanding:
    """What was understood, assumed and dropped while a file was read, one sentence each.

    `assumed` may be wrong and can be overruled; `dropped` is data that is not used, with its number. `questions` are points that
    the file cannot decide.
    """

    understood: list[str] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)
    dropped: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)

    def plain(self) -> dict[str, Any]:
        """As plain values, for JSON."""
        return asdict(self)

    def lines(self) -> list[str]:
        """Every sentence with what it is, for a terminal."""
        kinds = {"read": self.understood, "assumed": self.assumed, "left out": self.dropped, "please say": self.questions}
        return [f"{kind}: {sentence}" for kind, sentences in kinds.items() for sentence in sentences]


def examples(words: list[str]) -> str:
    """Some of the words, as they stand in the file."""
    shown = ", ".join(repr(word[:40]) for word in words[:MOST_EXAMPLES])
    return shown if len(words) <= MOST_EXAMPLES else f"{shown} and {len(words) - MOST_EXAMPLES} more"


def count(number: int, what: str) -> str:
    """1 row, 12,345 rows."""
    return f"{number:,} {what}" if number == 1 else f"{number:,} {what}s"
