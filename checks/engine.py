"""From samples to evaluations: the part that live and replay share to the byte."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Hashable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checks.blocks import ARRAYS, STATES, Blocks
from checks.build import BlockBuilder
from checks.catalogue import CHECKS, Check
from checks.chain import TonnesSoFar, link_numbers, suppression
from checks.diagnose import diagnose, explained_by, traces_from
from checks.due import AWAKE_S, FRESH_S, LONG_S, LONG_STANDING_S, STANDING_S, Due
from checks.empties import EmptiesLedger
from checks.evaluation import BeltState, Evaluation
from checks.finding import Finding
from checks.line_rows import KeptRows, LineRows
from checks.merge import TreeMerger, concat
from checks.references import references_of
from checks.result import CheckResult, Link, Verdict, worst
from checks.ring import Ring
from checks.samples import Samples, empty
from checks.window import LedgerEntry, Window
from config.model import Loop, Site
from config.roles import ROLES, Kind

DAY_S = 86400
KEPT_SAMPLES_S = 2 * 3600
KEPT_BLOCKS_S, KEPT_MINUTES_S, KEPT_HOURS_S = DAY_S, 14 * DAY_S, 400 * DAY_S
KEPT_LEDGER = 2000
SHOWN_UP_TO_S = 60
"""What is asked less often than this is not asked anew only to be shown [s]."""
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
    """

    def __init__(self, site: Site, loop_id: str, *, site_sha256: str = "") -> None:
        self.site = site
        self.loop: Loop = site.loops[loop_id]
        self.loop_id = loop_id
        self.site_sha256 = site_sha256
        self.check_errors: dict[str, int] = {}
        self._builder: BlockBuilder | None = None
        self._tree = TreeMerger()
        self._rings: dict[int, Ring] = {}
        self._line_rows: LineRows | None = None
        self._shape: Blocks | None = None
        self._samples = Ring(KEPT_SAMPLES_S)
        self._roles: tuple[str, ...] = ()
        self._ledger: list[LedgerEntry] = []
        self._settings: dict[str, float] = {}
        self._setting_since: dict[str, int] = {}
        self._setting_last: dict[str, float] = {}
        self._to_set: list[tuple[int, str, float]] = []
        self._held: dict[str, tuple[int, list[CheckResult]]] = {}
        self._followed: dict[str, Hashable] = {}
        self._seen: dict[str, tuple[int, list[CheckResult]]] = {}
        self._rollups: dict[int, list[Blocks]] = {}
        self._tonnes = TonnesSoFar()
        self._traces_until = 0
        self._references = references_of(site, loop_id)
        self._due = Due(self.loop)
        self.empties = EmptiesLedger(self.loop)
        self._awake_until, self._fresh_until = 0, 0
        self._findings: tuple[Finding, ...] = ()

    def push(self, samples: Samples, *, evaluate: bool = True, show: bool = False) -> list[Evaluation]:
        """Take the next samples (in order of time) and return an evaluation for each block that they close and that is due.

        A block is due where its picture or what is told has changed of late, at the beat of five minutes, and at steps of half
        a minute while a finding stands and for ten minutes behind it (`checks.due`). With `show` every other block is
        evaluated too, for people to look at: its numbers are new, its findings those of the last block that was due. With
        `evaluate` False the blocks are built but not judged: the way back from history after a restart.
        """
        out: list[Evaluation] = []
        for first in range(0, len(samples), PIECE):
            out += self._push(samples[slice(first, first + PIECE)], evaluate, show)
        return out

    def look(self) -> Evaluation | None:
        """The newest block as it stands, every check asked anew, for people to look at; None before the first block."""
        if self._builder is None or not len(self._rings[self._builder.length_s]):
            return None
        end = int(self._rings[self._builder.length_s].column("start_s")[-1]) + self._builder.length_s
        window = self.window(end)
        return self._told(window, tuple(result for check in CHECKS for result in self._asked(check, window)), due=False)

    def take_rollups(self) -> dict[int, Blocks]:
        """The 60, 3600 and 86,400 s blocks closed since the last call, by length; missing where none was closed."""
        taken = {length: concat(parts) for length, parts in self._rollups.items()}
        self._rollups = {}
        return taken

    def _push(self, samples: Samples, evaluate: bool, show: bool) -> list[Evaluation]:
        builder = self._ready(samples)
        blocks = builder.push(samples)
        due = self._due.push(blocks, builder.ledger)
        self._ledger += builder.ledger
        self.empties.push(samples, blocks, builder.ledger)
        builder.ledger.clear()
        rows: dict[str, NDArray[Any]] = {"time_s": samples.time_s, "flags": samples.flags}
        rows |= {f"v:{role}": samples.column(role) for role in self._roles}
        rows |= {f"q:{role}": samples.quality[role] for role in self._roles}
        self._samples.append(rows)
        self._note_settings(samples)
        if not len(blocks):
            return []
        self._keep(builder.length_s, blocks)
        for length, merged in self._tree.push(blocks).items():
            self._rollups.setdefault(length, []).append(merged)
            if length == builder.length_s:
                continue
            self._keep(length, merged)
        out = []
        for row, end in enumerate((blocks.start_s + builder.length_s).tolist()):
            self._tonnes.add(blocks, row)
            self._set_until(end)
            if end - builder.length_s in self._due.pressing:
                self._held.pop("scaling", None)
            if evaluate and ((due[row] and not self._known(end - builder.length_s)) or self._awake(end, builder.length_s)):
                out.append(self._evaluate(end))
                continue
            if evaluate and end <= min(self._awake_until, self._traces_until):
                self.explain(end - builder.length_s, end)
            if evaluate and show:
                window = self.window(end)
                out.append(self._told(window, tuple(r for check in CHECKS for r in self._shown(check, window)), due=False))
        del self._ledger[:-KEPT_LEDGER]
        return out

    def _awake(self, end: int, length_s: int) -> bool:
        """Whether a block is judged because of what was told lately, whatever its picture says."""
        if end <= self._fresh_until:
            return True
        if end > self._awake_until:
            return False
        long = end > self._fresh_until + LONG_S and end - length_s not in self._due.at_rest
        step = LONG_STANDING_S if long else STANDING_S
        return end // step != (end - length_s) // step

    def _known(self, start: int) -> bool:
        """Whether a block is due only for lines that lean as they have been told to for a while, or for lines behind them."""
        if start < self._fresh_until or not self._findings:
            return False
        asking = {link for link, blocks in self._due.by_line if start in blocks}
        told: set[Link] = set()
        for finding in self._findings:
            told |= {finding.link} | explained_by(finding)
        return bool(asking) and asking <= told

    def _ready(self, samples: Samples) -> BlockBuilder:
        if self._builder is None:
            builder = BlockBuilder(self.site, self.loop_id, samples.step_s)
            self._builder = builder
            self._roles = tuple(samples.values)
            self._samples = Ring(KEPT_SAMPLES_S // samples.step_s)
            self._shape = builder.push(empty(self.loop_id, self._roles, samples.step_s))
            self._rings = {
                builder.length_s: Ring(KEPT_BLOCKS_S // builder.length_s),
                3600: Ring(KEPT_HOURS_S // 3600),
            }
            self._rings.setdefault(60, Ring(KEPT_MINUTES_S // 60))
            self._line_rows = LineRows(self.loop, self._rings[builder.length_s], self._shape)
        return self._builder

    def _keep(self, length_s: int, blocks: Blocks) -> None:
        ring = self._rings.get(length_s)
        if ring is not None:
            ring.append({name: getattr(blocks, name) for name in ARRAYS})

    def _note_settings(self, samples: Samples) -> None:
        for role in self._roles:
            if ROLES[role].kind is not Kind.SETTING:
                continue
            column = samples.values[role]
            good = np.flatnonzero(np.isfinite(column))
            if not len(good):
                continue
            values = column[good]
            before = self._setting_last.get(role, np.nan)
            for row in np.flatnonzero(np.concatenate([[before], values[:-1]]) != values):
                self._to_set.append((int(samples.time_s[good[row]]), role, float(values[row])))
            self._setting_last[role] = float(values[-1])
        self._to_set.sort(key=lambda change: change[0])

    def _set_until(self, end: int) -> None:
        due = bisect_right(self._to_set, end - 1, key=lambda change: change[0])
        for time_s, role, value in self._to_set[:due]:
            self._settings[role] = value
            self._setting_since[role] = time_s
        del self._to_set[:due]

    def _evaluate(self, end: int) -> Evaluation:
        window = self.window(end)
        results = tuple(result for check in CHECKS for result in self._answer(check, window))
        before, self._findings = self._findings, diagnose(window, results)
        if self._findings:
            self._awake_until = end + AWAKE_S
        if _heads(before) != _heads(self._findings):
            self._fresh_until = end + FRESH_S
        self._mark_traces(self._findings, end)
        return self._told(window, results, due=True)

    def _told(self, window: Window, results: tuple[CheckResult, ...], *, due: bool) -> Evaluation:
        findings = self._findings
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

    def _mark_traces(self, findings: Sequence[Finding], end: int) -> None:
        """Mark the blocks of a categorical cause, and those of the settling behind it, as explained."""
        assert self._builder is not None
        length = self._builder.length_s
        begin = traces_from(findings)
        if begin is not None:
            self._traces_until = end + int(self.loop.settle)
        elif end > self._traces_until:
            return
        else:
            begin = end - length
        self.explain(begin, end)

    def explain(self, begin: int, end: int) -> None:
        """Leave a stretch out of lines, totals and the empties ledger: a categorical cause stood in it [epoch s].

        The stretches come back from `empties.take_voids`, so that they can be told again after a restart, behind its samples.
        """
        self.empties.void(begin, end)
        if self._builder is None:
            return
        length = self._builder.length_s
        ring = self._rings[length]
        if len(ring):
            first, last = np.searchsorted(ring.column("start_s"), [begin - length + 1, end])
            ring.column("state_s")[first:last, STATES.index("explained")] = length
            assert self._line_rows is not None
            self._line_rows.explain(ring.dropped + int(first), ring.dropped + int(last))

    def _answer(self, check: Check, window: Window) -> list[CheckResult]:
        """The answer of a check: a new one where it is due, else the one that was held."""
        period = window.end_s // check.every_s if check.every_s else window.end_s
        held = self._held.get(check.name)
        if held is None or held[0] != period:
            followed = check.follows(window) if check.follows is not None else None
            same = held is not None and followed is not None and followed == self._followed.get(check.name)
            self._followed[check.name] = followed
            held = self._held[check.name] = (period, held[1] if held is not None and same else self._asked(check, window))
        return held[1]

    def _shown(self, check: Check, window: Window) -> list[CheckResult]:
        """The answer of a check for people to look at; what is asked seldom is held since the last block that was due."""
        held, period = self._held.get(check.name), window.end_s // max(check.every_s, 1)
        if held is not None and (held[0] == period or check.every_s > SHOWN_UP_TO_S):
            return held[1]
        seen = self._seen.get(check.name)
        if seen is None or seen[0] != period:
            seen = self._seen[check.name] = (period, self._asked(check, window))
        return seen[1]

    def _asked(self, check: Check, window: Window) -> list[CheckResult]:
        try:
            return check.check(window) or [
                CheckResult(
                    check=check.name,
                    link=check.link,
                    verdict=Verdict.NOT_EVALUATED,
                    reason="the loop lacks the tags that this check compares",
                    needs=check.needs,
                )
            ]
        except Exception as error:  # noqa: BLE001 - a check that breaks is an answer too: counted, shown, never gone
            self.check_errors[check.name] = self.check_errors.get(check.name, 0) + 1
            return [
                CheckResult(
                    check=check.name,
                    link=check.link,
                    verdict=Verdict.NOT_EVALUATED,
                    reason=f"check failed: {type(error).__name__}: {error}",
                )
            ]

    def window(self, end: int) -> Window:
        """What a check gets to look at, at the end (exclusive, epoch seconds) of a block that has been closed."""
        assert self._builder is not None
        taken = bisect_right(self._ledger, end - 1, key=lambda entry: entry.time_s)
        blocks = self._rows(self._builder.length_s, end)
        return Window(
            site=self.site,
            loop_id=self.loop_id,
            loop=self.loop,
            end_s=end,
            blocks=blocks,
            minutes=self._rows(60, end),
            hours=self._rows(3600, end),
            samples=self._stretch(end),
            ledger=tuple(self._ledger[:taken]),
            settings=dict(self._settings),
            setting_since=dict(self._setting_since),
            references=self._references[: bisect_right(self._references, end, key=lambda entry: entry.end_s)],
            empties=self.empties.stretches(end),
            line_rows=self._kept(end, len(blocks)),
        )

    def _kept(self, end: int, rows: int) -> KeptRows | None:
        """Where the rows of the lines stand for the last `rows` blocks before a moment [epoch s]."""
        assert self._builder is not None
        if self._line_rows is None or not rows:
            return None
        ring = self._rings[self._builder.length_s]
        last = ring.dropped + int(np.searchsorted(ring.column("start_s"), end - self._builder.length_s, side="right"))
        return KeptRows(self._line_rows, last - rows, last)

    def _rows(self, length_s: int, end: int) -> Blocks:
        assert self._shape is not None
        ring = self._rings[length_s]
        fields: dict[str, Any] = {name: getattr(self._shape, name) for name in ARRAYS}
        if len(ring):
            fields = dict(ring.view(int(np.searchsorted(ring.column("start_s"), end - length_s, side="right"))))
        return Blocks(
            loop=self.loop_id, length_s=length_s, step_s=self._shape.step_s, roles=self._shape.roles, pairs=self._shape.pairs,
            **fields,
        )  # fmt: skip

    def _stretch(self, end: int) -> Samples:
        assert self._builder is not None
        view: dict[str, Any] = self._samples.view(int(np.searchsorted(self._samples.column("time_s"), end)))
        return Samples(
            loop=self.loop_id,
            step_s=self._builder.step_s,
            time_s=view["time_s"],
            values={role: view[f"v:{role}"] for role in self._roles},
            quality={role: view[f"q:{role}"] for role in self._roles},
            flags=view["flags"],
        )


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
