"""Replay: recorded data through the same engine that the service runs."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Protocol

from collector.cli import exits
from collector.cli.output import write_out
from collector.replay.importer import Batch
from collector.replay.loop_run import LoopRun
from collector.replay.many import Lanes
from collector.replay.report import Outcome, to_bytes
from collector.replay.text import text
from config.model import Site


class Recorded(Protocol):
    """Samples on their way into a replay."""

    site: Site
    step_s: int

    def batches(self) -> Iterator[Batch]:
        """All samples once, in order of time for each loop."""
        ...


def replay(recording: Recorded, *, site_sha256: str = "") -> Outcome:
    """Verify a recorded file as the service would have, all loops at once; memory does not grow with the file.

    Raises
    ------
    DataFileError
        The file breaks its contract, with line and column.
    """
    runs = {loop: LoopRun(recording.site, loop, site_sha256=site_sha256) for loop in recording.site.loops}
    for batch in recording.batches():
        for loop, samples in batch.samples.items():
            runs[loop].push(samples)
    return _outcome(recording.site, site_sha256, runs)


def replay_lanes(found: Lanes) -> Outcome:
    """The same of tags that come each with its own times."""
    runs = {loop: LoopRun(found.site, loop) for loop in found.site.loops}
    for loop, run in runs.items():
        for part in found.source.parts(found.site, loop, 0):
            run.push(part.samples)
    return _outcome(found.site, "", runs)


def _outcome(site: Site, site_sha256: str, runs: Mapping[str, LoopRun]) -> Outcome:
    begins = [run.begin for run in runs.values() if run.begin is not None]
    ends = [run.end for run in runs.values() if run.end is not None]
    return Outcome(
        site=site.site,
        site_sha256=site_sha256,
        begin=min(begins, default=0),
        end=max(ends, default=0),
        loops=tuple(run.outcome() for run in runs.values()),
    )


def tell(outcome: Outcome, json_out: Path | None, source: str, notes: Sequence[str], step_s: int) -> None:
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
