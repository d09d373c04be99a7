"""Site files on their way: answers kept under a key, on disk where there is a folder, so that a reload or a restart loses nothing."""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from collector.clock import Clock
from collector.commissioning.site_draft import SiteAnswers, site_text
from config.errors import TallywireError
from config.load import LoadedSite, parse_site
from config.problems import Problem, SiteFileError

MOST = 20
"""Drafts that are kept; the one that was touched longest ago goes."""
FILE = "site.yaml"
KEY = re.compile(r"[A-Za-z0-9_-]{16}")
_ANSWERS = TypeAdapter(SiteAnswers)


@dataclass(slots=True)
class Draft:
    """Answers with their key, and when they were touched last [epoch s]."""

    key: str
    touched: float
    answers: SiteAnswers = field(default_factory=SiteAnswers)

    @property
    def name(self) -> str:
        """How a list calls it."""
        return self.answers.site.get("title") or self.answers.site.get("site") or "without a name yet"


class Drafts:
    """Drafts by key. `folder` None keeps them in memory."""

    def __init__(self, clock: Clock, folder: Path | None = None) -> None:
        self._clock, self._folder = clock, folder
        self._kept: dict[str, Draft] = {}
        if folder is not None and folder.is_dir():
            for file in sorted(folder.glob("site-draft-*.json")):
                self._take(file)

    def begin(self) -> Draft:
        """A new draft."""
        draft = Draft(key=secrets.token_urlsafe(12), touched=self._clock.now())
        self._kept[draft.key] = draft
        for old in self.all()[MOST:]:
            self.drop(old.key)
        self.keep(draft)
        return draft

    def find(self, key: str) -> Draft | None:
        """A draft, None where none has this key."""
        return self._kept.get(key)

    def all(self) -> list[Draft]:
        """Every draft, the one touched last first."""
        return sorted(self._kept.values(), key=lambda draft: -draft.touched)

    def keep(self, draft: Draft) -> None:
        """Keep what was answered; TallywireError where the disk refuses."""
        draft.touched = self._clock.now()
        if self._folder is None:
            return
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            file = self._file(draft.key)
            part = file.with_suffix(".part")
            part.write_text(json.dumps({"touched": draft.touched, "answers": asdict(draft.answers)}), encoding="utf-8")
            part.replace(file)
        except OSError as error:
            raise TallywireError(
                f"the answers cannot be kept ({error.strerror or error})", where=str(self._folder), fix="free some space there"
            ) from error

    def drop(self, key: str) -> None:
        """Forget a draft."""
        self._kept.pop(key, None)
        if self._folder is not None:
            self._file(key).unlink(missing_ok=True)

    def _file(self, key: str) -> Path:
        assert self._folder is not None
        return self._folder / f"site-draft-{key}.json"

    def _take(self, file: Path) -> None:
        """A draft from disk; what cannot be read is left alone."""
        key = file.stem.removeprefix("site-draft-")
        try:
            raw = json.loads(file.read_text(encoding="utf-8"))
            answers = _ANSWERS.validate_python(raw["answers"])
            touched = float(raw["touched"])
        except (OSError, ValueError, KeyError, TypeError, ValidationError):
            return
        if KEY.fullmatch(key):
            self._kept[key] = Draft(key=key, touched=touched, answers=answers)


def checked(answers: SiteAnswers) -> tuple[str, LoadedSite | None, Sequence[Problem]]:
    """The file that answers make, the site where it is sound, and every problem where it is not."""
    text = site_text(answers)
    try:
        return text, parse_site(text, FILE), ()
    except SiteFileError as error:
        return text, None, error.problems
