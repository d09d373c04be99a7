"""What was told, held against what was true."""

from __future__ import annotations

import math
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import asdict, dataclass
from typing import Any

from checks.causes.naming import mates, tags_of
from checks.episodes import Episode
from checks.finding import UNKNOWN, Finding
from checks.lines import chain
from checks.result import Link, Verdict
from tests.faults.cases import AT_THE_GAUGE, LOUD, Case
from tests.faults.draws import Draw

FIRST, SET, UNNAMED, WRONG, SILENT, MISSING = "first", "set", "unknown", "wrong", "silent", "missing"
"""Grades: named first; named within the set that data cannot part; told without a name; another cause named; nothing told;
the plant has no such fault."""
GRADES = (FIRST, SET, UNNAMED, WRONG, SILENT, MISSING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Whether each told interval held the truth; None where none was told."""

    onset: bool | None = None
    tonnes: bool | None = None
    range: bool | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One run of one case."""

    cause: str
    fault: str
    size: str
    severity: float | None
    draw: int
    read: str
    grade: str
    can_be_named: bool
    mates: tuple[str, ...] = ()
    """Causes that the tags of this site cannot part from the true one, by the catalogue."""
    lists_true: bool = False
    """Whether the true cause is among those that are told."""
    lists_mate: bool = False
    """Whether one of `mates` is told beside it, or every one was weighed by the data and ruled out."""
    right_link: bool | None = None
    odds: float | None = None
    raised_after_s: int | None = None
    named_after_s: int | None = None
    coverage: Coverage = Coverage()
    told: tuple[str, ...] = ()
    """What stood at the end, in words."""
    changes: tuple[str, ...] = ()
    worked_s: float = 0.0

    @property
    def identifiable(self) -> bool:
        """Whether the tags of this site part the true cause from all others; else its set is the right answer."""
        return self.can_be_named and not self.mates

    def plain(self) -> dict[str, Any]:
        """As plain values, for JSON."""
        return asdict(self)


def right_links(case: Case, draw: Draw) -> frozenset[Link]:
    """The places of a case, and the first line of the loop's chain that spans one of them."""
    loop = draw.site.loops[draw.spec.loop]
    lines = chain(loop)
    first = {next((line.link for line in lines if place in line.covers), place) for place in case.places}
    return frozenset({*case.places, *first})


def in_words(finding: Finding) -> str:
    """One finding in a line of a table."""
    others = " ".join(f"{item.cause} {item.odds:.2g}" for item in finding.alternatives)
    odds = "" if finding.odds is None else f" {finding.odds:.3g}:1"
    gate = f" ({finding.gate[0]})" if finding.gate else ""
    return f"{finding.link.value}: {finding.cause}{odds}{' | ' + others if others else ''}{gate}"


def grade(case: Case, draw: Draw, findings: Sequence[Finding]) -> tuple[str, Finding | None]:
    """The grade of the findings that stood on a draw, and the one that it rests on."""
    return grade_among(case, company(case.cause, tags_of(draw.site, draw.spec.loop)), findings)


def company(cause: str, tags: AbstractSet[str]) -> frozenset[str]:
    """The causes that the catalogue says these tags cannot part from this one, itself among them (`checks.causes.separability`)."""
    return frozenset({cause, *mates(cause, tags)})


def grade_among(case: Case, mates: frozenset[str], findings: Sequence[Finding]) -> tuple[str, Finding | None]:
    """The grade where `mates` are the causes that data cannot part from the true one, itself among them."""
    faults = [item for item in findings if item.verdict is Verdict.FAULT or item.cause == case.cause]
    if not faults:
        return SILENT, None
    beside = case.beside | (LOUD if AT_THE_GAUGE & set(case.places) else frozenset())
    mates -= beside
    right = next((item for item in faults if item.cause == case.cause), None)
    for item in faults:
        if item.cause not in {UNKNOWN, case.cause, *mates, *beside}:
            return WRONG, item
    if right is not None and not any(item.cause in mates - {case.cause} for item in faults):
        return FIRST, right
    for item in faults:
        listed = {other.cause for other in item.alternatives}
        if item.cause in mates - {case.cause}:
            tied = case.cause in listed
            return (SET if tied else WRONG), item
    faults = [item for item in faults if item.cause not in beside] or faults
    for item in faults:
        if case.cause in {other.cause for other in item.alternatives}:
            return SET, item
    return UNNAMED, faults[0]


def listed(findings: Sequence[Finding]) -> frozenset[str]:
    """Every cause that is told: named, or told beside it."""
    return frozenset(cause for item in findings for cause in (item.cause, *(other.cause for other in item.alternatives)))


def lists_mate(findings: Sequence[Finding], beside: AbstractSet[str]) -> bool:
    """Whether one of the causes that the tags cannot part is told, or the data ruled every one of them out by their numbers."""
    excluded = {cause for item in findings for cause in item.ruled_out}
    return bool(listed(findings) & beside) or beside <= excluded


def stood(episodes: Sequence[Episode]) -> list[Finding]:
    """Findings of episodes, the first raised first."""
    return [episode.finding for episode in sorted(episodes, key=lambda episode: episode.raised_s)]


def onset_held(finding: Finding, onset_s: int, block_s: float) -> bool:
    """Whether the interval of the begin holds the onset, to a block."""
    low, high = finding.begin_interval
    return low - block_s <= onset_s <= high + block_s


def tonnes_held(finding: Finding, truth: tuple[float, float], digit: float) -> bool | None:
    """Whether the told tonnes hold the truth [t], a range, within their expanded uncertainty, to a digit of the total."""
    if finding.tonnes is None or finding.tonnes_uncertainty is None or not math.isfinite(sum(truth)):
        return None
    wide = finding.tonnes_uncertainty + digit
    return truth[0] - wide <= finding.tonnes <= truth[1] + wide
