"""One slow reading of devices at a time: a survey, or a look of the wizard."""

from __future__ import annotations

from dataclasses import dataclass

from config.errors import TallywireError


@dataclass(slots=True)
class Turn:
    """Who reads now, in words; empty: nobody."""

    holder: str = ""

    def take(self, who: str) -> None:
        """Begin; TallywireError where another is on its way."""
        if self.holder:
            raise TallywireError(f"{self.holder} is on its way", fix="wait for its end, or stop it")
        self.holder = who

    def give(self) -> None:
        """End."""
        self.holder = ""
