"""Replay: a recorded file through the same engine that the service runs."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from checks.engine import LoopEngine
from checks.episodes import EpisodeTracker
from checks.evaluation import Evaluation
from checks.finding import Finding
from checks.result import CheckResult, Link, Verdict
from checks.samples import Samples
from collector.cli import exits
from collector.cli.output import write_out
from collector.replay.columns import read_map
from collector.replay.importer import Batch
from collector.replay.report import LoopOutcome, Outcome, to_bytes
from collector.replay.text import text
from config.errors import TallywireError
from config.load import load_site
from config.model import Site


class Recorded(Protocol):
    """Samples on their way into a replay."""

    site: Site
    step_s: int

    def batches(self) -> Iterator[Batch]:
        """All samples once, in order of time for each loop."""
        ...


class Progress(Protocol):
    """Told how far a replay is."""

    def __call__(self, done: float, rows: int) -> None:
        """`done` is the fraction of the file that is read, `rows` the rows of the last piece."""
        ...


def replay_command(site_path: Path, data: Path, *, column_map: Path | None = None, json_out: Path | None = None) -> int:
    """What `tallywire replay` does: replay, write the report, return the exit code.

    Raises
    ------
    TallywireError
        The site file, the data file, the column map or the place for the report is wrong.
    """
    from collector.exports.for_replay import recorded

    loaded = load_site(site_path)
    with recorded(loaded.site, data, None if column_map is None else read_map(column_map)) as (recording, understood):
        with _progress(data) as progress:
            outcome = replay(recording, site_sha256=loaded.sha256, progress=progress)
        notes = [*map(str, loaded.warnings), *understood, *recording.warnings]
        _tell(outcome, json_out, f"replay of {data.name}", notes, recording.step_s)
    return exit_code(outcome)


def replay_stored(
    site_path: Path,
    first: str,
    after: str,
    *,
    loop: str | None = None,
    folder: Path | None = None,
    json_out: Path | None = None,
) -> int:
    """What `tallywire replay` does over the stored history: the local days from `first` up to `after`.

    Raises
    ------
    TallywireError
        The site file, the days, or the history cannot be used.
    """
    from zoneinfo import ZoneInfo

    from collector.cli.days import day_of, loop_of
    from collector.clock import SystemClock
    from collector.history.sqlite import open_store
    from collector.replay.stored import StoredRecording
    from collector.service.run import data_folder
    from collector.uptime import midnight

    loaded = load_site(site_path)
    zone = ZoneInfo(loaded.site.time_zone)
    begin, end = midnight(day_of(first, "--from"), zone), midnight(day_of(after, "--to"), zone)
    if end <= begin:
        raise TallywireError("the time does not end after it begins", where="--to", fix="the day after the last")
    loops = list(loaded.site.loops) if loop is None else [loop_of(loop, loaded.site.loops)]
    data = data_folder(folder, loaded.site)
    store = open_store(data, loaded.site, clock=SystemClock(), read_only=True)
    try:
        recording = StoredRecording(loaded.site, store, loops, begin, end)
        with _progress(data) as progress:
            outcome = replay(recording, site_sha256=loaded.sha256, progress=progress)
    finally:
        store.close()
    _tell(outcome, json_out, f"replay of the history from {first} to {after}", [*map(str, loaded.warnings)], recording.step_s)
    return exit_code(outcome)


def _tell(outcome: Outcome, json_out: Path | None, source: str, notes: Sequence[str], step_s: int) -> None:
    """Write the report as JSON, as text, or both."""
    if json_out is not None and str(json_out) == "-":
        sys.stdout.buffer.write(to_bytes(outcome))
        return
    if json_out is not None:
        write_out(json_out, to_bytes(outcome), "the report")
    sys.stdout.write(text(outcome, source=source, warnings=notes, step_s=step_s))


def exit_code(outcome: Outcome) -> int:
    """0 no finding, 1 findings, 3 nothing could be evaluated."""
    if outcome.has_findings():
        return exits.FINDINGS
    return exits.NO_FINDING if outcome.evaluated_anything() else exits.NOTHING_EVALUATED


def replay(recording: Recorded, *, site_sha256: str = "", progress: Progress = lambda done, rows: None) -> Outcome:
    """Verify a recorded file as the service would have; memory does not grow with the file.

    Raises
    ------
    DataFileError
        The file breaks its contract, with line and column.
    """
    runs = {loop: LoopRun(recording.site, loop, site_sha256=site_sha256) for loop in recording.site.loops}
    for batch in recording.batches():
        for loop, samples in batch.samples.items():
            runs[loop].push(samples)
        progress(batch.done, batch.rows)
    begins = [run.begin for run in runs.values() if run.begin is not None]
    ends = [run.end for run in runs.values() if run.end is not None]
    return Outcome(
        site=recording.site.site,
        site_sha256=site_sha256,
        begin=min(begins, default=0),
        end=max(ends, default=0),
        loops=tuple(run.outcome() for run in runs.values()),
    )


class LoopRun:
    """One loop on its way through a replay: the engine, the episodes, and the last word of each check."""

    def __init__(self, site: Site, loop: str, *, site_sha256: str = "") -> None:
        self.loop = loop
        self.begin: int | None = None
        self.end: int | None = None
        self._engine = LoopEngine(site, loop, site_sha256=site_sha256)
        self._episodes = EpisodeTracker(site, loop)
        self._last: dict[tuple[str, Link, int], CheckResult] = {}
        self._findings: dict[str, Finding] = {}
        self._evaluation: Evaluation | None = None

    def push(self, samples: Samples) -> list[Evaluation]:
        """Take the next samples; returns the evaluations that they closed."""
        if not len(samples):
            return []
        if self.begin is None:
            self.begin = int(samples.time_s[0])
        self.end = int(samples.time_s[-1]) + samples.step_s
        evaluations = self._engine.push(samples)
        for evaluation in evaluations:
            for change in self._episodes.update(evaluation):
                self._findings[change.episode.id] = change.episode.finding
            self._refresh(evaluation.findings)
            self._remember(evaluation)
        self._engine.take_rollups()
        return evaluations

    def _remember(self, evaluation: Evaluation) -> None:
        """Keep the last answer of each check: one that was evaluated stands until a later one is."""
        self._evaluation = evaluation
        seen: dict[tuple[str, Link], int] = {}
        for result in evaluation.results:
            place = seen.get((result.check, result.link), 0)
            seen[result.check, result.link] = place + 1
            before = self._last.get((result.check, result.link, place))
            if before is None or result.verdict is not Verdict.NOT_EVALUATED or before.verdict is Verdict.NOT_EVALUATED:
                self._last[result.check, result.link, place] = result

    def _refresh(self, findings: Sequence[Finding]) -> None:
        """Follow the tonnes and the evidence of what still stands; the cause of an episode is for its tracker to change."""
        for key, known in self._findings.items():
            if known.end is None:
                latest = next((item for item in findings if (item.link, item.cause) == (known.link, known.cause)), None)
                self._findings[key] = known if latest is None else latest

    def findings(self) -> tuple[Finding, ...]:
        """Every finding of the window, those that have ended too."""
        return tuple(self._findings.values())

    def outcome(self) -> LoopOutcome:
        """What is said of the loop at the end."""
        last = self._engine.look()
        if last is not None:
            self._remember(last)
        return LoopOutcome(
            loop=self.loop,
            checks=tuple(self._last.values()),
            findings=self.findings(),
            totals=None if self._evaluation is None else self._evaluation.totals,
        )


@contextmanager
def _progress(data: Path) -> Iterator[Progress]:
    """A bar with the rate on stderr; nothing where stderr is not a terminal."""
    if not sys.stderr.isatty():
        yield lambda done, rows: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TextColumn("{task.fields[rate]}"))
    with Bar(*columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(f"replay {data.name}", total=1.0, rate="")
        read = 0

        def tell(done: float, rows: int) -> None:
            nonlocal read
            read += rows
            elapsed = bar.tasks[task].elapsed or 0.0
            bar.update(task, completed=done, rate=f"{read / elapsed:,.0f} rows/s" if elapsed > 0 else "")

        yield tell
