"""What the site and loop pages show of a loop, gathered from the live state: marks, standing, what is at stake."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum

from checks.evaluation import Evaluation, LinkNumbers
from checks.finding import Finding
from checks.ne107 import Status, status
from checks.result import Link, Verdict, worst
from collector.alerts.model import Alert
from collector.live import EndpointState, EndpointStatus, LiveState
from collector.web import words
from config.model import Loop, RecordedTag

STALE_AFTER = 30.0
"""Age from which the page says that its data are old [s]."""

NO_SIGNAL = frozenset({"zero-counts", "open-loop"})
"""Causes after which the signal carries nothing: NE 107 then says failure."""

AT_WORK = frozenset({"maintenance", "calibrating"})
"""Reasons of suppression by which NE 107 says function check."""

BESIDE = (Link.DRIVE, Link.COMMUNICATION, Link.SETUP)
"""Links that the signal does not pass through; they stand beside the chain."""

CHAIN_ORDER = (*(link for link in Link if link not in BESIDE), *BESIDE)
"""The order of marks: along the signal, then what stands beside it."""


class Standing(IntEnum):
    """Where a loop stands in the order of the site page, worst first."""

    DIFFERS = 0
    NO_DATA = 1
    DOUBTFUL = 2
    STARTING = 3
    NOT_EVALUATED = 4
    AGREES = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One link on the strip: its worst verdict and the reason for it."""

    link: Link
    name: str
    place: str
    verdict: Verdict
    reason: str
    numbers: tuple[LinkNumbers, ...]

    @property
    def beside(self) -> bool:
        """Whether the link stands beside the chain."""
        return self.link in BESIDE


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopLine:
    """A loop as one line of the site page. `age_s` None where there is no evaluation yet."""

    loop: str
    title: str
    standing: Standing
    evaluation: Evaluation | None
    age_s: float | None
    known: tuple[Finding, ...]
    """What the alerts of the loop stand for."""
    findings: tuple[Finding, ...]

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Its links in the order of the chain; made when asked for, since of many loops only some are shown."""
        return marks(self.evaluation, self.known)

    @property
    def unevaluated(self) -> int:
        """Links that cannot be evaluated."""
        return sum(mark.verdict is Verdict.NOT_EVALUATED for mark in self.marks)

    @property
    def stale(self) -> bool:
        """Whether what is shown is old."""
        return self.standing is Standing.NO_DATA

    @property
    def verdict(self) -> Verdict:
        """The verdict that may be shown: none is claimed on old data."""
        if self.evaluation is None or self.stale:
            return Verdict.NOT_EVALUATED
        return worst([self.evaluation.verdict, *(item.verdict for item in self.findings)])

    @property
    def words(self) -> str:
        """The verdict in words."""
        if self.standing is Standing.STARTING:
            return "starting"
        return "no fresh data" if self.stale else self.verdict.words

    @property
    def tone(self) -> str:
        """Class of the line on the page: a verdict, or "stale" or "starting"."""
        return {Standing.NO_DATA: "stale", Standing.STARTING: "starting"}.get(self.standing, self.verdict.value)

    @property
    def deviates(self) -> bool:
        """Whether some link is differing or doubtful, so that the place along the chain is worth a picture."""
        return not self.stale and any(mark.verdict in (Verdict.FAULT, Verdict.SUSPECT) for mark in self.marks)

    @property
    def links_in_words(self) -> str:
        """How many links agree, and which are not evaluated; empty on old data."""
        if self.evaluation is None or self.stale:
            return ""
        silent = [mark.name for mark in self.marks if mark.verdict is Verdict.NOT_EVALUATED]
        agree = len(self.marks) - len(silent)
        told = f"{agree} of {len(self.marks)} links agree" if agree else "no link can be evaluated"
        return told + (f"; not evaluated: {', '.join(silent)}" if silent and agree else "")

    @property
    def status(self) -> Status | None:
        """NE 107 status of the loop, None where nothing can be said, as on old data."""
        if self.evaluation is None or self.stale:
            return None
        unusable = any(item.cause in NO_SIGNAL for item in self.findings)
        return status(self.verdict, unusable=unusable, working=self.evaluation.suppressed in AT_WORK)

    @property
    def lead(self) -> Finding | None:
        """The finding with the largest consequence."""
        return self.findings[0] if self.findings else None

    @property
    def stake(self) -> str:
        """Tonnes mis-stated, else the error in t/h, of the leading finding; empty where there is nothing to say."""
        lead = self.lead
        if lead is None:
            return ""
        tonnes, rate = words.finite(lead.tonnes), words.finite(lead.rate_error_t_h)
        if tonnes is not None:
            around = words.finite(lead.tonnes_uncertainty)
            return words.quantity(tonnes, "t", signed=True) + (
                f" ± {words.quantity(around, 't')}" if around is not None else ""
            )
        return words.quantity(rate, "t/h", signed=True) if rate is not None else ""


def stale_after(live: LiveState) -> float:
    """Age from which an evaluation is old [s]; longer than 30 s only where blocks are."""
    return max(STALE_AFTER, 2 * live.site.block + live.site.close_after + 5)


def first_verdict_s(live: LiveState) -> float:
    """Seconds of data that the first evaluation needs."""
    return live.site.block + live.site.close_after


def marks(evaluation: Evaluation | None, known: Sequence[Finding] = ()) -> tuple[Mark, ...]:
    """One mark per link in the order of the chain; a link that nothing speaks of is not evaluated. `known` are findings that
    stand though this evaluation may not show them."""
    found = []
    for link in CHAIN_ORDER:
        numbers = tuple(row for row in evaluation.chain if row.link is link) if evaluation else ()
        results = tuple(item for item in evaluation.results if item.link is link) if evaluation else ()
        here = [item for item in known if item.link is link]
        said = [*(row.verdict for row in numbers), *(item.verdict for item in results), *(item.verdict for item in here)]
        verdict = worst(said)
        reasons = [row.reason for row in numbers if row.verdict is verdict] + [
            item.reason for item in results if item.verdict is verdict
        ]
        reasons += [f"{item.title}; nothing shows it at this moment" for item in here]
        nothing = "no tag tells" if evaluation else "no evaluation yet"
        found.append(
            Mark(
                link=link,
                name=words.LINK_NAMES[link],
                place=words.PLACES[link],
                verdict=verdict,
                reason=next((reason for reason in reasons if reason), nothing),
                numbers=numbers,
            )
        )
    return tuple(found)


def standing_findings(live: LiveState, loop: str) -> tuple[Finding, ...]:
    """What is wrong with a loop: what the alerts stand for, as they know it, and what was just found beside it.

    A fault is not to be seen at every moment (an empty belt shows no slope); its alert stands until it is known to be gone.
    """
    evaluation, known = live.evaluations.get(loop), live.standing.get(loop, ())
    links = {item.link for item in known}
    new = (item for item in evaluation.findings if item.end is None and item.link not in links) if evaluation else ()
    return (*known, *new)


def loop_line(live: LiveState, loop: str, now: float) -> LoopLine:
    """A loop as it stands now."""
    evaluation = live.evaluations.get(loop)
    findings = standing_findings(live, loop)
    age = None if evaluation is None else now - evaluation.time_s
    if age is None:
        waited = now - live.started > stale_after(live) + first_verdict_s(live)
        standing = Standing.NO_DATA if waited else Standing.STARTING
    elif age > stale_after(live):
        standing = Standing.NO_DATA
    else:
        assert evaluation is not None
        standing = {
            Verdict.FAULT: Standing.DIFFERS,
            Verdict.SUSPECT: Standing.DOUBTFUL,
            Verdict.OK: Standing.AGREES,
            Verdict.NOT_EVALUATED: Standing.NOT_EVALUATED,
        }[worst([evaluation.verdict, *(item.verdict for item in findings)])]
    return LoopLine(
        loop=loop,
        title=live.site.loops[loop].title,
        standing=standing,
        evaluation=evaluation,
        age_s=age,
        known=live.standing.get(loop, ()),
        findings=findings,
    )


def loop_lines(live: LiveState, now: float) -> list[LoopLine]:
    """Every loop, worst first; within a standing the largest error in t/h first, then by name."""

    def order(line: LoopLine) -> tuple[int, float, str]:
        rates = [abs(words.finite(item.rate_error_t_h) or 0.0) for item in line.findings]
        return line.standing, -max(rates, default=0.0), line.loop

    return sorted((loop_line(live, loop, now) for loop in live.site.loops), key=order)


SUMMED = {
    Standing.DIFFERS: ("differs", "differ"),
    Standing.NO_DATA: ("brings no fresh data", "bring no fresh data"),
    Standing.DOUBTFUL: ("is doubtful", "are doubtful"),
    Standing.STARTING: ("starts", "start"),
    Standing.NOT_EVALUATED: ("cannot be evaluated", "cannot be evaluated"),
    Standing.AGREES: ("agrees", "agree"),
}
"""A standing in words, of one loop and of several."""


def summary(lines: Sequence[LoopLine]) -> str:
    """How many loops there are and how they stand, worst first."""
    counts = {standing: sum(line.standing is standing for line in lines) for standing in Standing}
    told = [f"{count} {SUMMED[standing][count != 1]}" for standing, count in counts.items() if count]
    return f"{len(lines)} {'loop' if len(lines) == 1 else 'loops'}: {', '.join(told)}."


def some(names: Sequence[str], most: int = 6) -> str:
    """Names in a row; of many only the first, and how many more there are."""
    shown = ", ".join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown


def lost_endpoints(live: LiveState) -> list[EndpointStatus]:
    """Endpoints that do not answer, in the order of their names."""
    silent = {EndpointState.DISCONNECTED, EndpointState.BACKOFF}
    return sorted((item for item in live.endpoints.values() if item.state in silent), key=lambda item: item.name)


def loops_of(live: LiveState, endpoint: str) -> list[str]:
    """The loops that read a tag from an endpoint."""
    return [name for name, loop in live.site.loops.items() if endpoint in endpoints_of(loop)]


def endpoints_of(loop: Loop) -> set[str]:
    """The endpoints that a loop is read from."""
    return {tag.endpoint for tag in loop.tags.values() if not isinstance(tag, RecordedTag)}


def quiet_since(live: LiveState, past: Sequence[Alert]) -> Callable[[str], float]:
    """Since when no alert of a loop has stood, by its name: the last return among `past`, else the start of the service."""
    returns: dict[str, float] = {}
    for item in past:
        if item.returned is not None:
            returns[item.loop] = max(item.returned, returns.get(item.loop, 0.0))
    return lambda loop: returns.get(loop, live.started)
