"""What a check says: verdict, link, evidence."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum


class Verdict(StrEnum):
    """The four verdicts, and the words that people see."""

    OK = "ok"
    SUSPECT = "suspect"
    FAULT = "fault"
    NOT_EVALUATED = "not_evaluated"

    @property
    def words(self) -> str:
        """The verdict as it is shown to people."""
        return _WORDS[self]


_WORDS = {
    Verdict.OK: "agrees",
    Verdict.SUSPECT: "doubtful",
    Verdict.FAULT: "differs",
    Verdict.NOT_EVALUATED: "not evaluated",
}
_RANK = {Verdict.NOT_EVALUATED: 0, Verdict.OK: 1, Verdict.SUSPECT: 2, Verdict.FAULT: 3}


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The verdict that stands for all: fault before suspect before ok; not evaluated only where nothing else is there."""
    return max(verdicts, key=_RANK.__getitem__, default=Verdict.NOT_EVALUATED)


class Link(StrEnum):
    """One step of the chain, in the order in which the signal passes it; the last two belong to no place in it."""

    COUNTS = "counts"
    LOAD = "load"
    DRIVE = "drive"
    GAUGE_OUTPUT = "gauge-output"
    CURRENT = "current"
    INPUT_CARD = "input-card"
    SCALING_BLOCK = "scaling-block"
    TOTALS = "totals"
    COMMUNICATION = "communication"
    SETUP = "setup"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One number that a verdict rests on. `value` None where it could not be had; `standard_error` is 1 sigma."""

    name: str
    value: float | None
    unit: str
    limit: float | None = None
    standard_error: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """The answer of one check for one link at one moment.

    A check may answer for several links (one result each). `needs` says what data would decide a verdict that is not
    evaluated, in words a technician can act on. `used` of `total` samples (or blocks) carried the answer.
    """

    check: str
    link: Link
    verdict: Verdict
    reason: str
    evidence: tuple[Evidence, ...] = ()
    needs: tuple[str, ...] = ()
    used: int = 0
    total: int = 0
    facts: dict[str, float] = field(default_factory=dict)
    """Numbers for `diagnose` that are not evidence for people (fit coefficients, covariances, run lengths)."""

    def value(self, name: str) -> float | None:
        """The value of the evidence or fact of this name, None where it is not there."""
        for item in self.evidence:
            if item.name == name:
                return item.value
        return self.facts.get(name)


def judge(deviation: float, expanded_uncertainty: float, suspect: float, fault: float) -> Verdict:
    """The one rule for a deviation with its expanded uncertainty U (k = 2), all in one unit.

    Fault where \\|deviation\\| - U > fault and \\|deviation\\| > 2 U; not evaluated where U > fault; suspect where
    \\|deviation\\| exceeds the suspect limit and U; else ok. NaN in either number is not evaluated. The 2 U (k = 4) matter only
    where U exceeds the limit: \\|deviation\\| - U alone would ask hardly more than two standard deviations of a number that
    is not yet known, and with one look after another chance gives that in a day.
    """
    size = abs(deviation)
    if not (size >= 0 and expanded_uncertainty >= 0):
        return Verdict.NOT_EVALUATED
    if size - expanded_uncertainty > fault and size > 2.0 * expanded_uncertainty:
        return Verdict.FAULT
    if expanded_uncertainty > fault:
        return Verdict.NOT_EVALUATED
    if size > suspect and size > expanded_uncertainty:
        return Verdict.SUSPECT
    return Verdict.OK
