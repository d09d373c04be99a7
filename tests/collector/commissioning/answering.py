"""A person who answers the questions of the wizard by what they ask, and remembers what was said."""

from __future__ import annotations

from collections.abc import Mapping

MOST = 250


class Answering:
    """Gives the answers of the first key that a question has in it, one after the other, and Enter to all else."""

    def __init__(self, answers: Mapping[str, list[str]]) -> None:
        self._left = {key: list(given) for key, given in answers.items()}
        self.said = self._shown = ""
        self.asked: list[str] = []

    def ask(self, text: str) -> str:
        """The next answer."""
        self.tell(text)
        self.asked.append(text)
        assert len(self.asked) < MOST, f"it asks without end: {text}"
        flat = f" {' '.join(text.split())}"
        answer = next((given.pop(0) for key, given in self._left.items() if given and key in flat), "")
        self.said += answer + "\n"
        self._shown += "\n"
        return answer

    def tell(self, text: str) -> None:
        """Remember it."""
        self.said += text
        self._shown += text

    @property
    def unused(self) -> list[str]:
        """Answers that nobody asked for."""
        return [key for key, given in self._left.items() if given]

    @property
    def widest(self) -> str:
        """The longest line that was shown, without what was typed."""
        return max(self._shown.splitlines(), key=len)
