"""How far a replay is: a bar with rate and time left on a terminal, else a plain line now and then."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from collector.clock import Clock, SystemClock
from collector.replay.notes import Notes

LOOK_S = 0.5
LINE_EVERY_S = 30.0
"""How often a line is written where stderr is no terminal [s]."""
LEAST_TOLD = 0.01
"""The fraction behind which the time that is left can be told."""


@dataclass(frozen=True, slots=True)
class Stand:
    """How far all loops together are: fraction (0 to 1), loops done and there, samples judged in this run and their rate [1/s].

    `left_s` is the time left [s], None while nobody can say.
    """

    done: float
    finished: int
    loops: int
    rows: int
    rate: float
    left_s: float | None

    def words(self) -> str:
        """In a line."""
        left = "" if self.left_s is None else f", {duration(self.left_s)} left"
        rate = f", {self.rate:,.0f} rows/s" if self.rate > 0 else ""
        loops = f", {self.finished} of {self.loops} loops done" if self.loops else ""
        return f"{100 * self.done:.0f} %{loops}{rate}{left}"


class Counter:
    """Makes a stand of what the loops tell; what was there when it began does not count for the rate."""

    def __init__(self, notes: Notes, loops: Sequence[str], clock: Clock) -> None:
        self._notes, self._loops, self._clock = notes, loops, clock
        self._finished: set[str] = set()
        self._first: dict[str, tuple[float, int]] = {}
        self._began = clock.monotonic()

    def finish(self, loop: str) -> None:
        """A loop is done."""
        self._finished.add(loop)

    def stand(self) -> Stand:
        """How far it is now."""
        told = self._notes.progress()
        for loop, stand in told.items():
            self._first.setdefault(loop, stand if stand[1] else (0.0, 0))
        finished = set(self._finished)
        done = {loop: 1.0 if loop in finished else told.get(loop, (0.0, 0))[0] for loop in self._loops}
        here = sum(done[loop] - self._first[loop][0] for loop in self._first if loop in done)
        rows = sum(told[loop][1] - self._first[loop][1] for loop in told)
        elapsed = self._clock.monotonic() - self._began
        left = sum(1.0 - fraction for fraction in done.values())
        return Stand(
            done=sum(done.values()) / max(len(done), 1), finished=len(finished), loops=len(self._loops), rows=rows,
            rate=rows / elapsed if elapsed > 0 else 0.0, left_s=left * elapsed / here if here > 1e-6 else None,
        )  # fmt: skip


@contextmanager
def telling(counter: Counter, what: str, clock: Clock | None = None) -> Iterator[None]:
    """Tell how far it is for as long as this is open."""
    over = threading.Event()
    with _shown(what, clock or SystemClock()) as show:

        def look() -> None:
            while not over.wait(LOOK_S):
                show(counter.stand())

        thread = threading.Thread(target=look, name="progress", daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()


@contextmanager
def telling_part(what: str, clock: Clock | None = None) -> Iterator[Callable[[float], None]]:
    """Tell how far something is that says so itself, as a fraction (0 to 1)."""
    timer = clock or SystemClock()
    began = timer.monotonic()
    with _shown(what, timer) as show:

        def tell(done: float) -> None:
            elapsed = timer.monotonic() - began
            left = elapsed * (1.0 - done) / done if done > LEAST_TOLD else None
            show(Stand(done=done, finished=0, loops=0, rows=0, rate=0.0, left_s=left))

        yield tell


@contextmanager
def _shown(what: str, clock: Clock) -> Iterator[Callable[[Stand], None]]:
    if not sys.stderr.isatty():
        yield Lines(what, clock)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=20),
        TaskProgressColumn(),
        TextColumn("{task.fields[rest]}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0, rest="")

        def show(stand: Stand) -> None:
            bar.update(task, completed=stand.done, rest=stand.words().partition(", ")[2])

        yield show


class Lines:
    """A plain line at most every half a minute; none for what is over before."""

    def __init__(self, what: str, clock: Clock) -> None:
        self._what, self._clock = what, clock
        self._last = clock.monotonic()

    def __call__(self, stand: Stand) -> None:
        now = self._clock.monotonic()
        if now - self._last >= LINE_EVERY_S:
            self._last = now
            sys.stderr.write(f"{self._what}: {stand.words()}\n")
            sys.stderr.flush()


def duration(seconds: float) -> str:
    """A time for people: 40 s, 12 min, 3.5 h, 2.1 days."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 172_800 else f"{seconds / 86400:.1f} days"
