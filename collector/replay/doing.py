"""A whole replay: every loop handed to whoever does the work, how far it is shown, and a clean end when somebody stops it."""

from __future__ import annotations

import signal
import sys
import tempfile
import threading
from collections.abc import Iterator
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from collector.clock import SystemClock
from collector.replay.book import Begun, opened, program
from collector.replay.executor import executor
from collector.replay.loop_run import LoopDone
from collector.replay.notes import Notes
from collector.replay.places import only
from collector.replay.progress import Counter, telling
from collector.replay.report import Outcome
from collector.replay.work import Source, Task, work
from config.errors import TallywireError
from config.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """Who does the work and where it is kept: processes, the scheduler of a cluster, the folder of a book (None: not kept)."""

    workers: int = 0
    cluster: str = ""
    book: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What is to be replayed: the site in force for these data, and `data`, words that change when the data do."""

    site: Site
    site_sha256: str
    source: Source
    data: tuple[str, ...] = ()
    begin: int = 0
    end: int | None = None
    what: str = "replay"


def replay_all(job: Job, means: Means, *, quiet: bool = False) -> tuple[LoopDone, ...]:
    """Replay every loop of the site of a job; the result does not depend on who does the work, nor on stops in between.

    Raises
    ------
    TallywireError
        The data, the book, the cluster: what is wrong, and where.
    KeyboardInterrupt
        Somebody stopped it; what was done is kept where there is a book.
    """
    try:
        return _replayed(job, means, quiet)
    except KeyboardInterrupt:
        if means.book is not None:
            sys.stderr.write(f"what is done is kept in {means.book}: the same command goes on\n")
        raise


def _replayed(job: Job, means: Means, quiet: bool) -> tuple[LoopDone, ...]:
    loops = list(job.site.loops)
    with ExitStack() as stack:
        notes = stack.enter_context(_notes(job, means))
        counter = Counter(notes, loops, SystemClock())
        tasks = [
            Task(
                site=only(job.site, loop), loop=loop, source=job.source.of(loop), site_sha256=job.site_sha256, folder=str(notes.folder.resolve()),
                keep=means.book is not None, begin=job.begin, end=job.end, program=program() if means.cluster else "",
            )
            for loop in loops
        ]  # fmt: skip
        doing = stack.enter_context(executor(means.workers, means.cluster))
        stack.enter_context(_stopping(notes, at_once=bool(means.cluster)))
        if not quiet:
            stack.enter_context(telling(counter, job.what))
        done: list[LoopDone] = []
        try:
            for one in doing.map(work, tasks):
                if one.stopped:
                    raise KeyboardInterrupt
                counter.finish(one.loop)
                if means.book is not None and notes.result(one.loop) is None:
                    notes.keep_result(one)  # a worker that cannot see the book
                done.append(one)
        except BrokenProcessPool as error:
            raise _lost(means) from error
        except Exception as error:
            if type(error).__module__.partition(".")[0] == "distributed":
                raise _lost(means) from error
            raise
    return tuple(done)


def outcome_of(job: Job, done: tuple[LoopDone, ...]) -> Outcome:
    """All loops as one outcome. Raises TallywireError where the time that was asked for holds no sample."""
    if (job.begin or job.end is not None) and not any(one.rows for one in done):
        raise TallywireError(
            "the data have no samples in that time", where="--from, --to", fix="leave them out to see what is there"
        )
    return Outcome(
        site=job.site.site,
        site_sha256=job.site_sha256,
        begin=min((one.begin for one in done if one.begin is not None), default=0),
        end=max((one.end for one in done if one.end is not None), default=0),
        loops=tuple(one.outcome for one in done),
    )


def _lost(means: Means) -> TallywireError:
    again = (
        "the same command goes on from what is kept" if means.book is not None else "with --resume BOOK nothing would be lost"
    )
    return TallywireError(
        "a worker ended before its loop was done (killed, or out of memory)",
        where="--cluster" if means.cluster else "--workers", fix=f"use fewer workers; {again}",
    )  # fmt: skip


@contextmanager
def _notes(job: Job, means: Means) -> Iterator[Notes]:
    if means.book is None:
        with tempfile.TemporaryDirectory(prefix="tallywire-") as folder:
            yield Notes(Path(folder))
        return
    begun = Begun(
        what=f"{job.what} {job.begin} {job.end}", site_sha256=job.site_sha256, data=job.data, loops=tuple(job.site.loops),
        program=program(),
    )  # fmt: skip
    with opened(means.book, begun) as notes:
        yield notes


@contextmanager
def _stopping(notes: Notes, *, at_once: bool) -> Iterator[None]:
    """The first Ctrl-C lets every loop stop behind a kept state; the second one stops here and now."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.getsignal(signal.SIGINT)

    def stop(number: int, frame: FrameType | None) -> None:
        notes.ask_to_stop()
        signal.signal(signal.SIGINT, signal.default_int_handler)
        sys.stderr.write("\nstopping at the next kept state; Ctrl-C again stops at once\n")
        if at_once:
            raise KeyboardInterrupt

    signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
