"""What would have been told with another site file, or with some settings changed: the same data twice, and the difference."""

from __future__ import annotations

import sys
from collections.abc import Collection, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from checks.reliability.timeline import LoopState
from collector.cli import exits
from collector.cli.output import write_out
from collector.replay.comparing import Difference, compare
from collector.replay.doing import Job, Means, outcome_of, replay_all
from collector.replay.loop_run import LoopDone
from collector.replay.places import StoredSource
from collector.replay.preparing import Prepared, Wanted, prepared
from collector.replay.report import Outcome
from collector.replay.whatif_report import to_bytes
from collector.replay.whatif_text import text
from config.errors import TallywireError
from config.load import LoadedSite
from config.model import Site


def what_if(
    loaded: LoadedSite, other: LoadedSite, wanted: Wanted, means: Means, *, change: str, false: Sequence[str],
    json_out: Path | None,
) -> int:  # fmt: skip
    """Replay with both, print the difference; 0 nothing differs, 1 something does, 3 nothing could be evaluated.

    Raises
    ------
    TallywireError
        The data, the sites, or an id in `false` that neither side has.
    """
    with ExitStack() as stack:
        one = stack.enter_context(prepared(loaded, wanted, means.book))
        two = stack.enter_context(prepared(other, replace(wanted, until=one.job.end), means.book))
        loops = [loop for loop in one.job.site.loops if loop in two.job.site.loops]
        if not loops:
            raise TallywireError(
                "the two sites have no loop in common", where="--what-if", fix="name a site with the same loops"
            )
        before = replay_all(_only(one.job, loops, "as it is"), _in_book(means, "as-is"))
        same = [loop for loop in loops if _alike(one.job.site, two.job.site, loop)]
        rest = [loop for loop in loops if loop not in same]
        after = replay_all(_only(two.job, rest, "what if"), _in_book(means, "what-if")) if rest else ()
    known = {done.loop: done for done in (*(done for done in before if done.loop in same), *after)}
    both = tuple(known[loop] for loop in loops)
    marked = [*false, *_marked(one.job, before), *_marked(one.job, both)]
    _refuse_unknown(false, (*before, *both))
    difference = compare(before, both, marked, marked=bool(marked))
    first, second = outcome_of(one.job, before), replace(outcome_of(two.job, both), site_sha256=other.sha256)
    _tell(difference, one, json_out, first=first, second=second, change=change, notes=_notes(one, two, loops))
    if not first.evaluated_anything() and not second.evaluated_anything():
        return exits.NOTHING_EVALUATED
    return exits.FINDINGS if difference.any() else exits.NO_FINDING


def _tell(
    difference: Difference,
    one: Prepared,
    json_out: Path | None,
    *,
    first: Outcome,
    second: Outcome,
    change: str,
    notes: list[str],
) -> None:
    if json_out is not None:
        content = to_bytes(difference, first, second, change)
        if str(json_out) == "-":
            sys.stdout.buffer.write(content)
            return
        write_out(json_out, content, "the comparison")
    sys.stdout.write(text(difference, first, source=one.source, change=change, notes=notes))


def _notes(one: Prepared, two: Prepared, loops: Collection[str]) -> list[str]:
    lonely = [loop for loop in (*one.job.site.loops, *two.job.site.loops) if loop not in loops]
    said = [f"loops of one site only are left out: {', '.join(lonely)}"] if lonely else []
    return [*one.notes, *(note for note in two.notes if note not in one.notes), *said]


def _in_book(means: Means, name: str) -> Means:
    return means if means.book is None else replace(means, book=means.book / name)


def _only(job: Job, loops: Collection[str], what: str) -> Job:
    site = job.site.model_copy(update={"loops": {loop: part for loop, part in job.site.loops.items() if loop in loops}})
    return replace(job, site=site, what=what)


def _alike(one: Site, two: Site, loop: str) -> bool:
    """Whether a loop is the same in both sites, with all of a site that is not in its loops."""
    return one.loops[loop] == two.loops[loop] and one.model_copy(update={"loops": {}}) == two.model_copy(update={"loops": {}})


def _marked(job: Job, done: Sequence[LoopDone]) -> list[str]:
    """Findings that a person called false: a correction of uptime says that the loop measured true when they were told."""
    if not isinstance(job.source, StoredSource):
        return []
    from collector.clock import SystemClock
    from collector.history.opening import open_store

    store = open_store(job.source.folder, job.site, clock=SystemClock(), read_only=True)
    try:
        out = []
        for one in done:
            said = store.annotations(one.loop, job.source.begin, job.source.end)
            for item in one.told:
                holding = [note for note in said if note.begin <= item.raised_s < note.end]
                if holding and holding[-1].state is LoopState.TRUE:
                    out.append(item.id)
        return out
    finally:
        store.close()


def _refuse_unknown(false: Sequence[str], done: Sequence[LoopDone]) -> None:
    ids = {item.id for one in done for item in one.told}
    unknown = [one for one in false if one not in ids]
    if unknown:
        shown = f"the findings are {', '.join(sorted(ids)[:6])}" if ids else "neither side has a finding"
        raise TallywireError(f"there is no finding {unknown[0]!r}", where="--false", fix=shown)
