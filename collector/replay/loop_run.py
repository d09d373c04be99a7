"""One loop on its way through a replay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from checks.engine import LoopEngine
from checks.episodes import EpisodeTracker
from checks.evaluation import Evaluation
from checks.finding import Finding
from checks.result import CheckResult, Link, Verdict
from checks.samples import Samples
from collector.replay.report import LoopOutcome
from config.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A finding that people would have heard of: when it was told first and when it was known to be gone (None: it stands).

    Times are epoch seconds of the data, not of the clock.
    """

    id: str
    finding: Finding
    raised_s: int
    ended_s: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopDone:
    """What came of a loop. `begin` and `end` (exclusive) [epoch s] are None where there was no sample; `stopped`: on demand.

    `rows` samples of `step_s` [s] were judged.
    """

    loop: str
    outcome: LoopOutcome
    told: tuple[Told, ...]
    begin: int | None
    end: int | None
    rows: int
    step_s: int
    stopped: bool = False


class LoopRun:
    """The engine, the episodes and the last word of each check of one loop, fed with samples in order of time."""

    def __init__(self, site: Site, loop: str, *, site_sha256: str = "") -> None:
        self.site = site
        self.loop = loop
        self.begin: int | None = None
        self.end: int | None = None
        self.rows = 0
        self.step_s = 1
        self._engine = LoopEngine(site, loop, site_sha256=site_sha256, rollups=False)
        self._episodes = EpisodeTracker(site, loop)
        self._last: dict[tuple[str, Link, int], CheckResult] = {}
        self._findings: dict[str, Finding] = {}
        self._raised: dict[str, int] = {}
        self._ended: dict[str, int] = {}
        self._evaluation: Evaluation | None = None

    def push(self, samples: Samples) -> list[Evaluation]:
        """Take the next samples; returns the evaluations that they closed."""
        if not len(samples):
            return []
        if self.begin is None:
            self.begin = int(samples.time_s[0])
        self.end = int(samples.time_s[-1]) + samples.step_s
        self.rows += len(samples)
        self.step_s = samples.step_s
        evaluations = self._engine.push(samples)
        for evaluation in evaluations:
            for change in self._episodes.update(evaluation):
                self._findings[change.episode.id] = change.episode.finding
                self._raised.setdefault(change.episode.id, change.episode.raised_s)
                if change.episode.ended_s is not None:
                    self._ended[change.episode.id] = change.episode.ended_s
            self._refresh(evaluation.findings)
            self._remember(evaluation)
        self._engine.empties.take()  # nobody keeps them here
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

    def told(self) -> tuple[Told, ...]:
        """Every finding with when it was told, in the order in which they were told."""
        return tuple(
            Told(id=key, finding=finding, raised_s=self._raised[key], ended_s=self._ended.get(key))
            for key, finding in self._findings.items()
        )

    def named(self) -> dict[str, object]:
        """The parts that a kept state leaves out: they come from the site file again."""
        return parts_of(self.site, self.loop)

    def done(self, *, stopped: bool = False) -> LoopDone:
        """What came of the loop up to here; where it was stopped, without the last look at every check."""
        outcome = LoopOutcome(loop=self.loop, checks=(), findings=(), totals=None) if stopped else self.outcome()
        return LoopDone(
            loop=self.loop, outcome=outcome, told=self.told(), begin=self.begin, end=self.end, rows=self.rows,
            step_s=self.step_s, stopped=stopped,
        )  # fmt: skip

    def outcome(self) -> LoopOutcome:
        """What is said of the loop at the end."""
        last = self._engine.look()
        if last is not None:
            self._refresh(last.findings)
            self._remember(last)
        return LoopOutcome(
            loop=self.loop,
            checks=tuple(self._last.values()),
            findings=self.findings(),
            totals=None if self._evaluation is None else self._evaluation.totals,
        )


def parts_of(site: Site, loop: str) -> dict[str, object]:
    """The parts of a site that a run of a loop holds on to, by name."""
    return {"site": site, "loop": site.loops[loop], "limits": site.loops[loop].limits}
