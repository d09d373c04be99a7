"""How far a slow reading of a device is: a bar and a few words on a terminal, nothing elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

WORDS = 36
"""So many signs fit beside the bar on 80 columns."""
Show = Callable[[int, int | None, str], None]
"""Told how much is done, of how much (None: not known), and a word on what."""


@contextmanager
def showing(what: str) -> Iterator[Show]:
    """Gives who is told; the bar goes away at the end."""
    if not sys.stderr.isatty():
        yield lambda done, total, words: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn(bar_width=16), TextColumn("{task.fields[words]}"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None, words="")

        def show(done: int, total: int | None, words: str) -> None:
            bar.update(task, completed=done, total=total, words=words[-WORDS:])

        yield show


def tell(words: str) -> None:
    """A line about what is done now, on a terminal."""
    if sys.stderr.isatty():
        sys.stderr.write(words + "\n")
