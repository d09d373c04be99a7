"""The work of a replay: one loop over all its time, in order. It runs here, in a pool of processes, or on another machine.

The unit is a whole loop because a finding may stand for weeks and the checks look back for up to 400 days: any cut in time
would have to be warmed up and could still tell another begin. Loops know nothing of each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from checks.samples import Samples
from collector.clock import Clock, SystemClock
from collector.replay.loop_run import LoopDone, LoopRun, parts_of
from collector.replay.notes import Notes, StoppedError
from collector.replay.states import load, save
from config.errors import TallywireError
from config.model import Site

PIECE = 86_400
"""Samples between two looks at whether to stop; the findings do not depend on it."""
SAVE_EVERY_S = 30.0
"""How often what is known of a loop is kept [s]; a kill costs so much work at most."""


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of samples of a loop; `begun` and `done` are the fractions of all its time at its two ends (0 to 1)."""

    samples: Samples
    begun: float
    done: float

    def done_at(self, row: int) -> float:
        """The fraction behind the piece that begins at a row."""
        return self.begun + (self.done - self.begun) * min(1.0, (row + PIECE) / max(len(self.samples), 1))


class Source(Protocol):
    """Where the samples of loops lie; small, and the same on every machine that can see the same files."""

    def of(self, loop: str) -> Source:
        """What a worker needs of it for one loop."""
        ...

    def parts(self, site: Site, loop: str, begin: int) -> Iterator[Part]:
        """The samples of a loop that are not before `begin` [epoch s], in order of time; little is held at once."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One loop to be replayed: the site in force, where its samples lie, and the folder that notes and states go to.

    Of the data what lies from `begin` to `end` (exclusive) [epoch s] is judged. `program` is the version that the sender has.
    A folder that this machine cannot see is left alone: then nothing is kept on the way.
    """

    site: Site
    loop: str
    source: Source
    site_sha256: str = ""
    folder: str = ""
    keep: bool = False
    save_every_s: float = SAVE_EVERY_S
    begin: int = 0
    end: int | None = None
    program: str = ""


def work(task: Task, clock: Clock | None = None) -> LoopDone:
    """Replay one loop, from the state that was kept of it if there is one.

    Raises
    ------
    TallywireError
        The samples cannot be read.
    """
    _refuse_other_program(task.program)
    time = clock or SystemClock()
    notes = Notes.of(task.folder)
    known = notes.result(task.loop) if notes is not None and task.keep else None
    if known is not None:
        return known
    kept = None
    if notes is not None and task.keep:
        kept = load(notes.state(task.loop), LoopRun, parts_of(task.site, task.loop))
    run = kept or LoopRun(task.site, task.loop, site_sha256=task.site_sha256)
    try:
        _through(run, task, notes, time)
    except StoppedError:
        return run.done(stopped=True)
    done = run.done()
    if notes is not None and task.keep:
        notes.keep_result(done)
    return done


def _through(run: LoopRun, task: Task, notes: Notes | None, clock: Clock) -> None:
    """Push every sample that the run does not know yet; keep its state now and then, and where it is stopped."""
    kept = clock.monotonic()
    for part in task.source.parts(task.site, task.loop, max(task.begin, run.end or 0)):
        samples, over = _until(part.samples, task.end)
        for first in range(0, len(samples), PIECE):
            run.push(samples[slice(first, first + PIECE)])
            if notes is None:
                continue
            stop = notes.stop_wanted()
            if task.keep and (stop or clock.monotonic() - kept >= task.save_every_s):
                save(notes.state(task.loop), run, run.named())
                kept = clock.monotonic()
            if stop:
                raise StoppedError
            notes.tell(task.loop, part.done_at(first), run.rows)
        if over:
            return


def _until(samples: Samples, end: int | None) -> tuple[Samples, bool]:
    """The samples before an end, and whether it is reached."""
    if end is None or not len(samples) or samples.time_s[-1] < end:
        return samples, False
    return samples[slice(0, int(np.searchsorted(samples.time_s, end)))], True


def _refuse_other_program(theirs: str) -> None:
    """A worker of a cluster that has another version would find something else."""
    from collector.replay.book import program

    if theirs and theirs != program():
        raise TallywireError(
            f"a worker has another version of Tallywire ({program()}, not {theirs})", where="--cluster",
            fix="install the same version on every worker and start them again",
        )  # fmt: skip
