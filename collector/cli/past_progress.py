"""How far the past of the demo is laid: a bar on a terminal, else a line every tenth."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collector.past.laying import Stand

WORDS = {"laid": "laying down history", "judged": "judging history"}


@contextmanager
def telling_past() -> Iterator[Callable[[Stand], None]]:
    """Gives who is told how far it is."""
    if not sys.stderr.isatty():
        yield lines
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("loop-days"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def tell(stand: Stand) -> None:
            if stand.phase not in tasks:
                tasks[stand.phase] = bar.add_task("", total=stand.total)
            bar.update(
                tasks[stand.phase], completed=stand.done, visible=stand.done < stand.total,
                description=f"{WORDS[stand.phase]}, {stand.day}",
            )  # fmt: skip

        yield tell


def lines(stand: Stand) -> None:
    """A line every tenth."""
    if stand.done * 10 // stand.total > (stand.done - 1) * 10 // stand.total:
        text = f"{WORDS[stand.phase]}: {stand.done} of {stand.total} loop-days, {stand.day}"
        sys.stdout.write(text + (" - done\n" if stand.done == stand.total else "\n"))
        sys.stdout.flush()
