"""From samples to evaluations: the part that live and replay share to the byte."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from checks.answers import Answers, Results
from checks.blocks import Blocks
from checks.build import BlockBuilder
from checks.chain import TonnesSoFar, link_numbers, suppression
from checks.diagnose import diagnose, explained_by, traces_from
from checks.due import AWAKE_S, FRESH_S, HOLD_S, LONG, NEWS_S, STANDING_S, Due
from checks.empties import EmptiesLedger
from checks.evaluation import BeltState, Evaluation
from checks.finding import Finding
from checks.memory import Memory
from checks.merge import TreeMerger, concat
from checks.references import references_of
from checks.result import Link, worst
from checks.samples import Samples, empty
from checks.window import Window
from config.model import Loop, Site

PIECE = 86400
"""Samples that are worked on at a time; only a matter of memory."""


class LoopEngine:
    """Turns the samples of one loop into blocks, keeps what the checks look back on, and evaluates at each block's end.

    No socket, clock or disk: time comes with the samples. The same samples in any chunking give the same evaluations.

    Parameters
    ----------
    site, loop_id
        The site in force and the loop this engine is for.
    site_sha256 : str
        Named in every evaluation.
    rollups : bool
        Whether somebody takes the merged blocks; the evaluations do not depend on it.
    """

    def __init__(self, site: Site, loop_id: str, *, site_sha256: str = "", rollups: bool = True) -> None:
        self.site = site
        self.loop: Loop = site.loops[loop_id]
        self.loop_id = loop_id
        self.site_sha256 = site_sha256
        self.empties = EmptiesLedger(self.loop)
        self._builder: BlockBuilder | None = None
        self._memory: Memory | None = None
        references = references_of(site, loop_id)
        self._tree = TreeMerger() if rollups or references else None
        self._rollups: dict[int, list[Blocks]] | None = {} if rollups else None
        self._tonnes = TonnesSoFar()
        self._due = Due(self.loop, [entry.end_s for entry in references])
        self._answers = Answers()
        self._findings: tuple[Finding, ...] = ()
        self._awake_until = self._fresh_until = self._each_until = self._traces_until = 0
        self._unjudged = True

    @property
    def check_errors(self) -> dict[str, int]:
        """How often each check broke, by name; empty where none did."""
        return self._answers.errors

    def push(self, samples: Samples, *, evaluate: bool = True, show: bool = False, asking: bool = True) -> list[Evaluation]:
        """Take the next samples (in order of time) and return an evaluation for each block that they close and that is due.

        A block is due where its picture or what is told has changed of late, at a beat, and at steps while a finding stands and
        for ten minutes behind it (`checks.due`). With `show` every other block is evaluated too, for people to look at: its
        numbers are new, its findings those of the last block that was due; unless `asking`, the checks are not asked for that, and
        what they said last stands. With `evaluate` False the blocks are built but not
        judged: the way back from history after a restart. The blocks of the first three minutes behind such are all judged.
        """
        out: list[Evaluation] = []
        for first in range(0, len(samples), PIECE):
            out += self._push(samples[slice(first, first + PIECE)], evaluate, show, asking)
        return out

    def look(self) -> Evaluation | None:
        """The newest block as it stands, every check asked anew, for people to look at; None before the first block.

        Its findings are those of the last block that was due, with the numbers of now.
        """
        end = None if self._memory is None else self._memory.end_s
        if end is None:
            return None
        window = self.window(end)
        results = self._answers.asked(window)
        return self._told(window, results, self._as_of_now(window, results), due=False)

    def _as_of_now(self, window: Window, results: Results) -> tuple[Finding, ...]:
        """What is told, each with the numbers that it has now where it still shows."""
        if not self._findings:
            return ()
        now = {(finding.link, finding.cause): finding for finding in diagnose(window, results)}
        return tuple(now.get((finding.link, finding.cause), finding) for finding in self._findings)

    def take_rollups(self) -> dict[int, Blocks]:
        """The 60, 3600 and 86,400 s blocks closed since the last call, by length; missing where none was closed or none are made."""
        taken = {length: concat(parts) for length, parts in (self._rollups or {}).items()}
        self._rollups = None if self._rollups is None else {}
        return taken

    def window(self, end: int) -> Window:
        """What a check gets to look at, at the end (exclusive, epoch seconds) of a block that has been closed."""
        assert self._memory is not None
        return self._memory.window(end, self.empties.stretches(end))

    def explain(self, begin: int, end: int) -> None:
        """Leave a stretch out of lines, totals and the empties ledger: a categorical cause stood in it [epoch s].

        The stretches come back from `empties.take_voids`, so that they can be told again after a restart, behind its samples.
        """
        self.empties.void(begin, end)
        if self._memory is not None:
            self._memory.explain(begin, end)

    def _push(self, samples: Samples, evaluate: bool, show: bool, asking: bool) -> list[Evaluation]:
        builder, memory = self._ready(samples)
        blocks = builder.push(samples)
        empties = self.empties.push(samples, blocks, builder.ledger)
        due = self._due.push(blocks, builder.ledger, empties)
        memory.take(samples, builder.ledger)
        builder.ledger.clear()
        if not len(blocks):
            return []
        memory.keep(builder.length_s, blocks)
        memory.keep_rows(self._due.rows)
        for length, merged in (self._tree.push(blocks) if self._tree is not None else {}).items():
            if self._rollups is not None:
                self._rollups.setdefault(length, []).append(merged)
            if length != builder.length_s:
                memory.keep(length, merged)
        if evaluate and self._unjudged:  # what stands may have begun in what nobody judged
            self._fresh_until = self._each_until = int(blocks.start_s[0]) + HOLD_S
        self._unjudged = not evaluate
        out = []
        taken = 0
        for row in self._looked_at(blocks, due, show) if evaluate else ():
            start = int(blocks.start_s[row])
            end = start + builder.length_s
            self._tonnes.take(blocks, taken, row + 1)
            taken = row + 1
            memory.set_until(end)
            if (due[row] and not self._known(start)) or self._awake(start, end):
                out.append(self._evaluate(start, end))
                continue
            if end <= min(self._awake_until, self._traces_until):
                self.explain(start, end)
            if show:
                window = self.window(end)
                results = self._answers.shown(window) if asking else self._answers.standing(window)
                out.append(self._told(window, results, self._findings, due=False))
        self._tonnes.take(blocks, taken, len(blocks))
        memory.set_until(int(blocks.start_s[-1]) + builder.length_s)
        memory.forget()
        return out

    def _ready(self, samples: Samples) -> tuple[BlockBuilder, Memory]:
        if self._builder is None or self._memory is None:
            self._builder = BlockBuilder(self.site, self.loop_id, samples.step_s, pairs=self._rollups is not None)
            roles = tuple(samples.values)
            shape = self._builder.push(empty(self.loop_id, roles, samples.step_s))
            self._memory = Memory(self.site, self.loop_id, shape, roles)
        return self._builder, self._memory

    def _looked_at(self, blocks: Blocks, due: NDArray[np.bool_], show: bool) -> Iterator[int]:
        """The rows at which something may happen: those that are due, and all while something stands or is shown."""
        rows, row = np.flatnonzero(due), 0
        while row < len(blocks):
            if not show and blocks.start_s[row] >= max(self._awake_until, self._fresh_until):
                place = int(np.searchsorted(rows, row))
                if place == len(rows):
                    return
                row = int(rows[place])
            yield row
            row += 1

    def _awake(self, start: int, end: int) -> bool:
        """Whether a block is judged because of what was told lately, whatever its picture says."""
        if end <= self._each_until:
            return True
        if end > max(self._awake_until, self._fresh_until):
            return False
        rests = start in self._due.at_rest and any(finding.link in self._due.links for finding in self._findings)
        stood = 0 if rests else end - self._fresh_until
        step = next((step for since, step in LONG if stood > since), STANDING_S)
        return end // step != start // step

    def _known(self, start: int) -> bool:
        """Whether a block is due only for lines that lean as they have been told to for a while, or for lines behind them, or
        for the beat: what stands is judged at steps of its own."""
        if start < self._fresh_until or not self._findings:
            return False
        asking = {link for link, blocks in self._due.by_line if start in blocks}
        told: set[Link] = set()
        for finding in self._findings:
            told |= {finding.link} | explained_by(finding)
        return start in self._due.by_beat or (bool(asking) and asking <= told)

    def _evaluate(self, start: int, end: int) -> Evaluation:
        window = self.window(end)
        calm, upright = (not self._findings and start in blocks for blocks in (self._due.calm, self._due.upright))
        results = self._answers.due(window, calm=calm, upright=upright, pressing=start in self._due.pressing)
        before, self._findings = self._findings, diagnose(window, results)
        if self._findings:
            self._awake_until = end + AWAKE_S
        if _heads(before) != _heads(self._findings):
            self._fresh_until, self._each_until = end + FRESH_S, end + NEWS_S
        self._mark_traces(start, end)
        return self._told(window, results, self._findings, due=True)

    def _told(self, window: Window, results: Results, findings: tuple[Finding, ...], *, due: bool) -> Evaluation:
        return Evaluation(
            loop=self.loop_id,
            time_s=window.end_s,
            state=belt_state(window),
            suppressed=suppression(window),
            results=results,
            findings=findings,
            chain=link_numbers(window, results),
            totals=self._tonnes.totals(findings),
            verdict=worst([*(result.verdict for result in results), *(finding.verdict for finding in findings)]),
            site_sha256=self.site_sha256,
            due=due,
        )

    def _mark_traces(self, start: int, end: int) -> None:
        """Mark the blocks of a categorical cause, and those of the settling behind it, as explained."""
        begin = traces_from(self._findings)
        if begin is not None:
            self._traces_until = end + int(self.loop.settle)
        elif end > self._traces_until:
            return
        self.explain(start if begin is None else begin, end)


def _heads(findings: Sequence[Finding]) -> frozenset[Hashable]:
    """What is told, without its numbers."""
    return frozenset((finding.link, finding.cause, finding.verdict) for finding in findings)


def belt_state(window: Window) -> BeltState:
    """What the belt did for most of the last block."""
    last = window.blocks[slice(-1, None)]
    if not len(last) or not last.covered_s[0]:
        return BeltState.UNKNOWN
    states = (BeltState.LOADED, BeltState.EMPTY, BeltState.STOPPED, BeltState.UNKNOWN)
    return states[int(np.argmax(last.state_s[0, :4]))]
